PRAGMA application_id = 1382315886;
PRAGMA user_version = 2;
BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'roadworn','m001_ledger','2026-11-25 08:02:25.004493+00:00');
INSERT INTO "_sqlite_migrations" VALUES(2,'roadworn','m002_beside','2026-12-01 00:15:38.967512+00:00');
CREATE TABLE "checkpoints" (
   "size" INTEGER PRIMARY KEY,
   "root" TEXT NOT NULL,
   "peaks" BLOB NOT NULL,
   "made_at" TEXT NOT NULL
) STRICT;
INSERT INTO "checkpoints" VALUES(1,'3d8c562a29fb6679b382ceda3449a6bc7fe4ee40d7c7b8e48c3367eba084c3f7',X'3D8C562A29FB6679B382CEDA3449A6BC7FE4EE40D7C7B8E48C3367EBA084C3F7','2026-11-25T08:02:25Z');
INSERT INTO "checkpoints" VALUES(2,'f208ee9afead7de955a4827732ae42bdb55e015d540ee965d52cba167b8c2739',X'F208EE9AFEAD7DE955A4827732AE42BDB55E015D540EE965D52CBA167B8C2739','2026-11-25T08:02:25Z');
INSERT INTO "checkpoints" VALUES(4,'246d7415fd6a56405a57f1256a5fbf9aedbc89df1bdb0bda2f1bf1bd32027ce8',X'246D7415FD6A56405A57F1256A5FBF9AEDBC89DF1BDB0BDA2F1BF1BD32027CE8','2026-11-25T08:02:25Z');
CREATE TABLE "contacts" (
   "reference" TEXT PRIMARY KEY,
   "name" TEXT,
   "phone" TEXT,
   "address" TEXT,
   "note" TEXT
) STRICT;
INSERT INTO "contacts" VALUES('o-17','Nobody Inparticular',NULL,NULL,NULL);
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
INSERT INTO "events" VALUES(1,'019b7a1c-0000-7000-8000-000000000001','bus-7','enrolment',1,'2026-01-01','2026-01-01T18:00:00Z','','test',NULL,NULL,'{"label":"Blue bus","owner_reference":"o-17","parts":"original"}',NULL,X'3D8C562A29FB6679B382CEDA3449A6BC7FE4EE40D7C7B8E48C3367EBA084C3F7');
INSERT INTO "events" VALUES(2,'019b7a1c-0000-7001-8000-000000000002','bus-7','odometer_reading',1,'2026-02-01','2026-02-01T18:00:00Z','','test',61250.5,'mi','{"how":"typed","status":"unknown"}','sheet 1, row 2',X'A547780909FCAF96AF498CD825A997816F0ED3FE56B711FA192EC5E1D5157229');
INSERT INTO "events" VALUES(3,'019b7a1c-0000-7002-8000-000000000003','bus-7','replacement',1,'2026-03-01','2026-03-01T18:00:00Z','','test',61400.0,'mi','{"component":"brake.pad","part_kind":"unknown","position":"front","quantity":1,"reason":"worn_out"}',NULL,X'9C1FC5925AB93DBBF84F7C82190AD92591E3F608D8041342634309F21C316A7E');
INSERT INTO "events" VALUES(4,'019b7a1c-0000-7003-8000-000000000004','bus-7','complaint',1,'2026-03-02','2026-03-02T18:00:00Z','','test',NULL,NULL,'{"complaint":"it''s \"loud\" – ünd"}',NULL,X'98037A9D3FF5B2442EA35FE40BF284C894D5CFC9BC2024BFA66AD5CF40FF64B0');
CREATE TABLE "import_rows" (
   "mark" TEXT,
   "map" TEXT,
   "seq" INTEGER NOT NULL,
   PRIMARY KEY ("mark", "map")
) STRICT;
CREATE TABLE "imports" (
   "size" INTEGER PRIMARY KEY,
   "after" INTEGER NOT NULL,
   "file" TEXT NOT NULL,
   "made_at" TEXT NOT NULL
) STRICT;
CREATE TABLE "plates" (
   "vehicle_id" TEXT PRIMARY KEY,
   "plate" TEXT NOT NULL
) STRICT;
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
CREATE INDEX events_merge ON events(vehicle_id) WHERE kind = 'merge';
COMMIT;
