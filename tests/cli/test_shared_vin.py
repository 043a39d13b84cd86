"""One VIN on two vehicles is said wherever a person may see it, and never refused.

No two vehicles made within 60 years have the same VIN: 49 CFR 565.13, from memory.
"""

import orjson

VIN = "1M8GDM9AXKP042788"


def test_a_shared_vin_is_told_at_every_door_and_kept(run, tmp_path):
    run("create")
    assert "too." not in run("enrol", "bus-1", "--vin", VIN).err
    again = run("enrol", "bus-2", "--vin", VIN.lower())
    assert again.code == 0
    assert f"The VIN {VIN} is that of bus-1 too." in again.err
    third = {
        "vehicle_id": "bus-3", "kind": "enrolment", "occurred_at": "2026-01-01",
        "payload": {"vin": VIN},
    }  # fmt: skip
    (tmp_path / "n.ndjson").write_bytes(orjson.dumps(third))
    taken = run("import", str(tmp_path / "n.ndjson"))
    assert taken.code == 0
    assert f"The VIN {VIN} is that of bus-1, bus-2 too." in taken.err
    assert "bus-2: The VIN" in run("vehicles").err
    audit = run("analyse", "odometer-audit")
    assert f"The VIN {VIN} is that of bus-1, bus-3 too." in audit.out
