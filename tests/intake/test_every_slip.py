"""An import tells every slip of a row at once, whatever stage finds it. Own rule: no source."""

import orjson
import pytest

from roadworn.intake import Ledger
from roadworn.intake.files import import_files

ENROL = {"vehicle_id": "van", "kind": "enrolment", "occurred_at": "2026-01-01", "payload": {}}
BASE = {"vehicle_id": "van", "occurred_at": "2026-02-01"}
CASES = [
    (
        {
            "kind": "replacement", "odometer": "61,300", "odometer_unit": "miles",
            "payload": {"component": "wheel.bering", "reason": "failed",
                        "parts_cost": {"amount": "90,50", "currency": "US$"}},
        },
        {"odometer", "odometer_unit", "payload.component", "payload.parts_cost.amount",
         "payload.parts_cost.currency"},
    ),
    (
        {
            "kind": "scan",
            "payload": {"modules": [{"module": "engine", "outcome": "read",
                        "codes": [{"code": "PO301", "status": "pendng"}]}]},
        },
        {"payload.modules[0].codes[0].code", "payload.modules[0].codes[0].status"},
    ),
    (
        {
            "kind": "replacement", "occurred_at": "2026-02-30",
            "payload": {"component": "wheel.bearing", "position": "LF", "reason": "failed",
                        "parts_cost": {"amount": "-90.5", "currency": "USD"}},
        },
        {"occurred_at", "payload.parts_cost.amount"},
    ),
    (
        {
            "kind": "inspection", "odometer": "x",
            "payload": {"findings": [{"component": 3, "position": 4, "condition": [],
                        "measurements": [{"value": "x", "unit": 1}, 7]}], "sheet": 1},
        },
        {"odometer"},
    ),
]  # fmt: skip


@pytest.mark.parametrize(("fields", "columns"), CASES)
def test_a_dry_run_tells_all_slips_of_a_row_once_each(tmp_path, fields, columns):
    path = tmp_path / "n.ndjson"
    path.write_bytes(orjson.dumps(ENROL) + b"\n" + orjson.dumps({**BASE, **fields}))
    with Ledger.create(tmp_path / "shop.db") as ledger:
        report = import_files(ledger, [path], dry_run=True)
    found = [problem.column for problem in report.problems]
    assert columns <= set(found)
    assert len(found) == len(set(found))
