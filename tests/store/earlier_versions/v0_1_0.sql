-- A ledger with every kind, written by Roadworn 0.1.0 (iterdump).
PRAGMA user_version=1;
PRAGMA application_id=1382315886;
BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'roadworn','m001_ledger','2026-11-30 09:45:16.555359+00:00');
CREATE TABLE "checkpoints" (
   "size" INTEGER PRIMARY KEY,
   "root" TEXT NOT NULL,
   "peaks" BLOB NOT NULL,
   "made_at" TEXT NOT NULL
) STRICT;
INSERT INTO "checkpoints" VALUES(22,'313f27ca15a50cdb0d7c6e26333f0a529c4768bb176ef190ffdcc8f5493565e9',X'37A903DBF902E67C6EB7CA2DA355F4B28AD38CF3243871511F7B18E124FC5905256B01BAD9D69E2F04169C56EBB9F8A4C2CFE22BFE029629F709C0C3BCE25C5DA382D7EC1BF9533E8B878CEABBDD036F9E02139A6783003C9C37BE0AA214E62E','2026-11-30T09:45:17Z');
CREATE TABLE "contacts" (
   "reference" TEXT PRIMARY KEY,
   "name" TEXT,
   "phone" TEXT,
   "address" TEXT,
   "note" TEXT
) STRICT;
CREATE TABLE "events" (
   "seq" INTEGER PRIMARY KEY,
   "event_id" TEXT NOT NULL,
   "vehicle_id" TEXT NOT NULL,
   "kind" TEXT NOT NULL,
   "version" INTEGER NOT NULL,
   "occurred_at" TEXT NOT NULL,
   "recorded_at" TEXT NOT NULL,
   "recorded_by" TEXT NOT NULL,
   "source" TEXT NOT NULL,
   "odometer" REAL,
   "odometer_unit" TEXT,
   "payload" TEXT NOT NULL,
   "intake_key" TEXT,
   "leaf" BLOB NOT NULL
) STRICT;
INSERT INTO "events" VALUES(1,'0190a1b2-c3d4-7000-8000-000000000001','van-3','enrolment',1,'2019-03-04','2019-03-04T18:00:00Z','KM','file',98400.0,'mi','{"duty":"severe","engine":"diesel 6.7 l","fuel":"diesel","gearbox":"automatic","in_service_date":"2014-06-01","label":"Blue bus","make":"Maker A","model":"Bus 12","model_year":2014,"note":"second key in the safe","odometer_digits":6,"owner_reference":"owner-17","parts":"original","vehicle_class":"community bus","vin":"1M8GDM9AXKP042788","weight_class":"6"}',NULL,X'2128DEE6E305FE5F99D31BE1FF089C22C1ACA4E82B6560C8E5BC4E261DB2997B');
INSERT INTO "events" VALUES(2,'0190a1b2-c3d4-7000-8000-000000000002','truck-1','enrolment',1,'2019-03-04','2019-03-04T18:00:00Z','KM','file',120000.0,'km','{"make":"Tarrow","model":"Hauler","model_year":2014,"parts":"original","vehicle_class":"truck"}',NULL,X'F2F0C01FC780B9ABFA7B162EDE0E0FCF8E4CC2EE999AE00DEB39B2799DFDC244');
INSERT INTO "events" VALUES(3,'0190a1b2-c3d4-7000-8000-000000000003','van-3','profile_change',1,'2019-05-01','2019-05-01T18:00:00Z','KM','file',NULL,NULL,'{"duty":"normal","engine":"diesel 6.7 l","fuel":"diesel","gearbox":"automatic","in_service_date":"2014-06-01","label":"Blue bus","make":"Maker A","model":"Bus 12","model_year":2014,"note":"sold within the island","odometer_digits":6,"owner_reference":"owner-18","vehicle_class":"community bus","vin":"1M8GDM9AXKP042788","weight_class":"6"}',NULL,X'C365F8D7015C18451C15A7CEFBBC6488237342D5B807EE14160988D9A95C219C');
INSERT INTO "events" VALUES(4,'0190a1b2-c3d4-7000-8000-000000000004','van-3','odometer_reading',1,'2019-06-01','2019-06-01T18:00:00Z','KM','file',101250.0,'mi','{"how":"dash","note":"read twice","status":"actual"}',NULL,X'578682878CCB1C5EB52F835E3AF953A0216C35570714B731094634E31F945929');
INSERT INTO "events" VALUES(5,'0190a1b2-c3d4-7000-8000-000000000005','van-3','inspection',1,'2019-07-02T09:30:00Z','2019-07-02T18:00:00Z','KM','file',102000.0,'mi','{"findings":[{"component":"brake.pad","condition":"wearing","measurements":[{"name":"thickness","unit":"mm","value":3.0}],"note":"even wear","position":"front","safety":false}],"not_checked":[{"component":"engine.oil"}],"note":"wet floor","rest":"sound","sheet":"look-over","sound":[{"component":"wheel.bearing","position":"LF"}]}',NULL,X'165B5BE35DFE494021182A72C67D571F9A4087800C1030B5597E01DCBCE14D86');
INSERT INTO "events" VALUES(6,'0190a1b2-c3d4-7000-8000-000000000006','van-3','scan',1,'2019-07-02','2019-07-02T18:00:00Z','KM','file',102000.0,'mi','{"distance_since_clear":120.0,"distance_unit":"km","lamp":"on","modules":[{"codes":[{"code":"P0420","failure_type":"1A","status":"pending","status_byte":"2F","words":"catalyst, bank 1"},{"code":"SPN 1208 FMI 3","count":10,"status":"previous"}],"name":"engine","outcome":"read"}],"note":"warm engine","raw":"41 01 81 07 E5 00","readiness":"0007E500","warm_ups_since_clear":7}',NULL,X'855D93CAB234FEDEF6FB5DF0F227F3005781BE18A6DD65A97BB8224D00336877');
INSERT INTO "events" VALUES(7,'0190a1b2-c3d4-7000-8000-000000000007','van-3','replacement',1,'2019-07-09','2019-07-09T18:00:00Z','KM','file',102300.0,'mi','{"along_with":"brake.rotor","component":"brake.pad","labour_hours":1.5,"labour_rate":{"amount":"95.00","currency":"USD"},"maker":"Maker B","note":"bedded in","part_kind":"new","part_number":"BP-1","parts_cost":{"amount":"84.50","currency":"USD"},"position":"front","quantity":1,"reason":"worn_out","supplier":"north","warranty_distance":24000.0,"warranty_months":24,"warranty_unit":"mi","work_order":"W-100"}',NULL,X'5028E533F06A49C5C34FCB67FF072ADC31BBCAD5AA263FD0E07D6BD8DD293C39');
INSERT INTO "events" VALUES(8,'0190a1b2-c3d4-7000-8000-000000000008','van-3','replacement',1,'2019-07-09','2019-07-09T18:00:00Z','KM','file',102310.0,'mi','{"along_with":"brake.rotor","component":"brake.pad","labour_hours":1.5,"labour_rate":{"amount":"95.00","currency":"USD"},"maker":"Maker B","note":"bedded in","part_kind":"new","part_number":"BP-1","parts_cost":{"amount":"84.50","currency":"USD"},"position":"front","quantity":1,"reason":"worn_out","replaces":"0190a1b2-c3d4-7000-8000-000000000007","supplier":"south","warranty_distance":24000.0,"warranty_months":24,"warranty_unit":"mi","work_order":"W-100"}',NULL,X'0F88F15652CDCF95881E8ED38CDFEC5DE6B48BB5409A752A587801015E7F715D');
INSERT INTO "events" VALUES(9,'0190a1b2-c3d4-7000-8000-000000000009','truck-1','replacement',1,'2020-04-01','2020-04-01T18:00:00Z','KM','file',180000.0,'km','{"component":"brake.shoe","part_kind":"unknown","position":"2L","quantity":1,"reason":"failed"}',NULL,X'D4962FDE2D0824B1897F5538893D706E66D2F35F75C846FD7A22F1969731CD47');
INSERT INTO "events" VALUES(10,'0190a1b2-c3d4-7000-8000-00000000000a','truck-1','replacement',1,'2020-04-01','2020-04-01T18:00:00Z','KM','file',180000.0,'km','{"component":"brake.shoe","part_kind":"unknown","position":"2R","quantity":1,"reason":"worn_out"}',NULL,X'02761CF3FEBE6C21BFAABE435BFCE09448541A209D32DC96A4F17C9803D24D19');
INSERT INTO "events" VALUES(11,'0190a1b2-c3d4-7000-8000-00000000000b','truck-1','inspection',1,'2020-04-02','2020-04-02T18:00:00Z','KM','file',180100.0,'km','{"findings":[{"component":"brake.shoe","condition":"failed","measurements":[],"position":"2L","safety":true}],"not_checked":[],"sound":[]}',NULL,X'F5856CA6EA17348DDAB36495BD56578B98D2313A976FE98B5983DEB13849BC50');
INSERT INTO "events" VALUES(12,'0190a1b2-c3d4-7000-8000-00000000000c','van-3','repair',1,'2019-08-01','2019-08-01T18:00:00Z','KM','file',103000.0,'mi','{"cause":"loose","complaint":"drips","component":"engine.oil","correction":"tightened","labour_hours":0.5,"labour_rate":{"amount":"95.00","currency":"USD"},"note":"dry after drive","parts_cost":{"amount":"0.00","currency":"USD"},"work_order":"W-101"}',NULL,X'7E669DB8DA0D668A140EBE02E820200F0A572B9D801AB158275C8665A8DCCF3C');
INSERT INTO "events" VALUES(13,'0190a1b2-c3d4-7000-8000-00000000000d','van-3','maintenance',1,'2019-08-01','2019-08-01T18:00:00Z','KM','file',103000.0,'mi','{"action":"replaced","component":"engine.oil","labour_hours":0.5,"labour_rate":{"amount":"95.00","currency":"USD"},"note":"by plan","parts_cost":{"amount":"32.50","currency":"USD"},"work_order":"W-102"}',NULL,X'E109DF3683CD6DECC81C19CCC17A596DAD8B6D88B0574130F3789894874FD09A');
INSERT INTO "events" VALUES(14,'0190a1b2-c3d4-7000-8000-00000000000e','van-3','estimate',1,'2019-09-01','2019-09-01T18:00:00Z','KM','file',104000.0,'mi','{"fees":[{"amount":{"amount":"4.00","currency":"USD"},"kind":"fee","name":"disposal"}],"lines":[{"amount":{"amount":"310.00","currency":"USD"},"component":"brake.rotor","labour_hours":2.0,"labour_rate":{"amount":"95.00","currency":"USD"},"line":1,"parts_cost":{"amount":"120.00","currency":"USD"},"pieces":[{"amount":{"amount":"190.00","currency":"USD"},"clock_hours":1.6,"hours":2.0,"kind":"labour","name":"default","overlap":0.5,"rate":{"amount":"95.00","currency":"USD"}},{"amount":{"amount":"120.00","currency":"USD"},"cost":{"amount":"40.00","currency":"USD"},"kind":"parts","quantity":2},{"amount":{"amount":"20.00","currency":"USD"},"kind":"core"}],"position":"front","safety":true,"work":"replace both"}],"note":"parts in stock","terms":"12 months or 12,000 mi, whichever comes first","totals":{"after_core_return":{"amount":"337.66","currency":"USD"},"consent_percent":"10","core_deposit":true,"supplies":{"amount":"12.69","currency":"USD"},"supplies_cap":{"amount":"12.69","currency":"USD"},"supplies_percent":"7","tax":{"amount":"10.97","currency":"USD"},"tax_percent":"8.27","taxed":{"amount":"132.69","currency":"USD"},"taxed_kinds":["parts","supplies"],"total":{"amount":"357.66","currency":"USD"}},"valid_until":"2026-06-30"}',NULL,X'713CE6FF6059B59862838E71D032A5FA31AE38F004582BB5AE818B51DFEBA349');
INSERT INTO "events" VALUES(15,'0190a1b2-c3d4-7000-8000-00000000000f','van-3','authorisation',1,'2019-09-02','2019-09-02T18:00:00Z','KM','file',NULL,NULL,'{"decisions":[{"decision":"declined","line":1}],"estimate":"0190a1b2-c3d4-7000-8000-00000000000e","note":"next month"}',NULL,X'3A1A1B4BD7C6F644BD90B0E3B063F39679AA021634CE96E7BC8515AC277A39EA');
INSERT INTO "events" VALUES(16,'0190a1b2-c3d4-7000-8000-000000000010','van-3','complaint',1,'2019-10-01','2019-10-01T18:00:00Z','KM','file',NULL,NULL,'{"cause":"tyre pressure","complaint":"pulls left","component":"brake.pad","correction":"inflated","position":"LF"}',NULL,X'B28E5ADD85FE82B93945438C90E142EDBBCE5F29A8EE898F7DA602F6C7959A59');
INSERT INTO "events" VALUES(17,'0190a1b2-c3d4-7000-8000-000000000011','van-3','valuation',1,'2019-10-02','2019-10-02T18:00:00Z','KM','file',NULL,NULL,'{"note":"as it stands","source":"dealer''s word","value":{"amount":"8200.00","currency":"USD"}}',NULL,X'BF112B3743E8464165ABD74AB39D2F7B4FE909781CEA117BCDCC9823A8AE6156');
INSERT INTO "events" VALUES(18,'0190a1b2-c3d4-7000-8000-000000000012','van-3','inspection_result',1,'2019-10-03','2019-10-03T18:00:00Z','KM','file',NULL,NULL,'{"due_date":"2026-07-01","fee":{"amount":"25.00","currency":"USD"},"inspection":"safety","items":["brakes"],"note":"retest free","result":"fail","station":"north station"}',NULL,X'F0863E218218859A46DDA2B4A61A91079472DC13EA46DE84C1377411384694F3');
INSERT INTO "events" VALUES(19,'0190a1b2-c3d4-7000-8000-000000000013','van-3','odometer_exchange',1,'2019-11-01','2019-11-01T18:00:00Z','KM','file',NULL,NULL,'{"new_reading":12.0,"note":"cluster replaced","old_reading":128400.5,"unit":"mi"}',NULL,X'C7DF26250C41604F3F9CBF10C7C625EF328E71C7E84FA7B70A7BEDE2A9CE3515');
INSERT INTO "events" VALUES(20,'0190a1b2-c3d4-7000-8000-000000000014','van-3','odometer_reading',1,'2019-12-01','2019-12-01T18:00:00Z','KM','file',512.0,'mi','{"how":"typed","status":"unknown"}',NULL,X'78D96A594ACC903677EFB7501EABCB80C322B453E5A463FB62D33696EFE3F8C3');
INSERT INTO "events" VALUES(21,'0190a1b2-c3d4-7000-8000-000000000015','van-3','retraction',1,'2019-12-02','2019-12-02T18:00:00Z','KM','file',NULL,NULL,'{"event":"0190a1b2-c3d4-7000-8000-000000000014","reason":"another vehicle"}',NULL,X'2CF27DB2ECE1E58CE074205320F2E9C578A6A9E7DB44C85A85C55285853110B1');
INSERT INTO "events" VALUES(22,'0190a1b2-c3d4-7000-8000-000000000016','truck-1','retirement',1,'2021-01-10','2021-01-10T18:00:00Z','KM','file',200000.0,'km','{"note":"to an owner off the island","price":{"amount":"4100.00","currency":"USD"},"reason":"sold"}',NULL,X'2F31EEC443B878C27A3D3D848B2B73A16D287EC86F0D8E0EA7B4162CB371C241');
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE UNIQUE INDEX "events_event_id"
    ON "events" ("event_id");
CREATE UNIQUE INDEX events_intake_key ON events(intake_key) WHERE intake_key IS NOT NULL;
CREATE INDEX events_enrolment ON events(vehicle_id) WHERE kind = 'enrolment';
CREATE INDEX events_replacement ON events(vehicle_id, odometer) WHERE kind = 'replacement';
CREATE INDEX events_retraction ON events(vehicle_id) WHERE kind = 'retraction';
CREATE TRIGGER events_no_update BEFORE UPDATE ON events BEGIN SELECT RAISE(FAIL, 'append-only: events are never changed; record a retraction or a correction instead'); END;
CREATE TRIGGER events_no_delete BEFORE DELETE ON events BEGIN SELECT RAISE(FAIL, 'append-only: events are never deleted; record a retraction or a correction instead'); END;
CREATE TRIGGER checkpoints_no_update BEFORE UPDATE ON checkpoints BEGIN SELECT RAISE(FAIL, 'append-only: checkpoints are never changed; record a retraction or a correction instead'); END;
CREATE TRIGGER checkpoints_no_delete BEFORE DELETE ON checkpoints BEGIN SELECT RAISE(FAIL, 'append-only: checkpoints are never deleted; record a retraction or a correction instead'); END;
CREATE TRIGGER events_insert_guard BEFORE INSERT ON events WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM events) OR EXISTS (SELECT 1 FROM events WHERE event_id = NEW.event_id) OR EXISTS (SELECT 1 FROM events WHERE intake_key = NEW.intake_key) BEGIN SELECT RAISE(FAIL, 'append-only: seq must be the next number') WHERE NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM events); SELECT RAISE(FAIL, 'append-only: this event_id is already there') WHERE EXISTS (SELECT 1 FROM events WHERE event_id = NEW.event_id); SELECT RAISE(FAIL, 'append-only: this intake_key is already there'); END;
CREATE TRIGGER checkpoints_insert_guard BEFORE INSERT ON checkpoints BEGIN SELECT RAISE(FAIL, 'append-only: a checkpoint is of the present size') WHERE NEW.size IS NOT (SELECT coalesce(max(seq), 0) FROM events); SELECT RAISE(FAIL, 'append-only: this checkpoint is already there') WHERE EXISTS (SELECT 1 FROM checkpoints WHERE size >= NEW.size); END;
COMMIT;
