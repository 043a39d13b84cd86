"""Scans as typed. Codes by SAE J2012 and readiness by SAE J1979 are checked in tests/trade."""

import orjson
import pytest

from roadworn.model.errors import ProblemsFound, UsageError
from roadworn.model.payloads import Scan
from roadworn.reading.scans import read_scan


def test_codes_with_their_lists_lamp_and_readiness() -> None:
    scan, _ = read_scan(
        ["P0420", "P0171 pending"], module="ECM", lamp="ON", readiness="83 07 E5 41"
    )
    assert scan == {
        "modules": [
            {
                "name": "engine",
                "outcome": "read",
                "codes": [
                    {"code": "P0420", "status": "stored"},
                    {"code": "P0171", "status": "pending"},
                ],
            }
        ],
        "lamp": "on",
        "readiness": "8307E541",
    }
    Scan.model_validate_json(orjson.dumps(scan))


def test_no_codes_and_no_answer_are_different_facts() -> None:
    empty, _ = read_scan([], no_codes=True)
    failed, _ = read_scan([], failed="no answer")
    assert empty["modules"][0]["outcome"] == "read"
    assert failed["modules"][0]["outcome"] == "failed"
    assert failed["note"] == "no answer"


@pytest.mark.parametrize(
    "options",
    [
        {"texts": []},
        {"texts": ["P0420"], "no_codes": True},
        {"texts": ["P0420"], "failed": "no answer"},
        {"texts": [], "failed": "no answer", "no_codes": True},
        {"texts": ["P0420"], "lamp": "maybe"},
        {"texts": ["P0420"], "readiness": "83"},
    ],
)
def test_contradictions_are_refused(options: dict[str, object]) -> None:
    texts = options.pop("texts")
    with pytest.raises(UsageError):
        read_scan(texts, **options)  # type: ignore[arg-type]


def test_remarks_in_a_pasted_list() -> None:
    scan, _ = read_scan(["# of this morning\nP0420\n#P0171\n"])
    assert [code["code"] for code in scan["modules"][0]["codes"]] == ["P0420"]


def test_a_mistyped_code_is_a_problem_and_never_corrected() -> None:
    with pytest.raises(ProblemsFound) as caught:
        read_scan(["PO420", "P0171"])
    assert "letter O" in caught.value.message


def test_how_far_ago_codes_were_cleared_may_be_typed_beside_them() -> None:
    scan, _ = read_scan(["P0420"], since_clear="120 km", warm_ups=4)
    assert scan["distance_since_clear"] == 120.0
    assert scan["distance_unit"] == "km"
    assert scan["warm_ups_since_clear"] == 4
    Scan.model_validate_json(orjson.dumps(scan))
    for wrong in ({"since_clear": "120"}, {"warm_ups": 256}, {"warm_ups": -1}):
        with pytest.raises(UsageError):
            read_scan(["P0420"], **wrong)  # type: ignore[arg-type]


def test_a_code_acquitted_by_its_status_byte_is_told() -> None:
    scan, read = read_scan(["P0300 50", "P0420 2F"])
    assert [code["code"] for code in scan["modules"][0]["codes"]] == ["P0420"]
    assert ["neither confirmed nor pending" in remark.message for remark in read.remarks] == [True]
