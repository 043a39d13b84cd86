"""The decoders' JSON by contract, on examples that standards print."""

import pytest
from commandline import Run

# VIN: worked example of 49 CFR 565 (check digit X; position 10 K: 1989 or 2019). P0420: SAE
# J2012, catalyst below threshold. Readiness: SAE J1979 service 01 parameter 01. Status byte:
# ISO 14229-1 bit names. J1939-73 example: SPN 1208, FMI 3, count 10. Those of SAE and ISO
# are from memory; the decoders themselves are checked in tests/trade.
CASES = [
    (["vin", "1M8GDM9AXKP042788"], 0,
     {"check_digit": "ok", "expected": "X", "model_years": [1989, 2019], "problems": []}),
    (["code", "p0420"], 0, {"code": "P0420", "bytes": "0420", "owner": "standard"}),
    (["readiness", "83", "07", "E5", "41"], 0,
     {"lamp": "on", "codes": 3, "ignition": "spark", "not_ready": 2}),
    (["readiness", "83 07 E5 41"], 0, {"codes": 3}),
    (["code", "D1", "0A"], 0, {"code": "U110A", "bytes": "D10A", "owner": "maker"}),
    (["code", "0x0420"], 0, {"code": "P0420"}),
    (["code", "01 23 11"], 0, {"code": "P0123", "failure_type": "11"}),
    (["j1939", "04 FF B8 04 03 0A"], 0,
     {"faults": [{"spn": 1208, "fmi": 3, "count": 10, "conversion": 0}]}),
    (["j1939", "B8 04 03 0A"], 0, {"spn": 1208, "fmi": 3, "count": 10, "conversion": 0}),
]  # fmt: skip


@pytest.mark.parametrize(("words", "code", "keys"), CASES)
def test_contract(run: Run, words: list[str], code: int, keys: dict[str, object]) -> None:
    found = run("decode", *words, "--format", "json")
    assert found.code == code, found.err
    decoded = found.json()
    assert isinstance(decoded, dict)
    assert {name: decoded[name] for name in keys} == keys


def test_status_bits(run: Run) -> None:
    decoded = run("decode", "status", "2F", "--format", "json").json()
    assert isinstance(decoded, dict)
    assert decoded["bits"]["confirmedDTC"] is True
    assert decoded["bits"]["warningIndicatorRequested"] is False


def test_a_vin_with_problems_is_a_finding(run: Run) -> None:
    found = run("decode", "vin", "1M8GDM9A1KP042788", "--format", "json")
    assert found.code == 1
    decoded = found.json()
    assert isinstance(decoded, dict)
    assert decoded["check_digit"] == "wrong"
    assert decoded["expected"] == "X"
    assert "Hint:" in found.err


@pytest.mark.parametrize(
    ("typed", "hint"),
    [
        (("D10A",), "as D1 0A"),  # four digits may be two bytes, or a code short of one
        (("01 02 03 04",), "01 23 11"),
        (("0xZZ",), "D1 0A"),
    ],
)
def test_bytes_that_are_no_code_are_refused_with_a_form(
    run: Run, typed: tuple[str, ...], hint: str
) -> None:
    found = run("decode", "code", *typed)
    assert (found.code, found.out) == (2, "")
    assert hint in found.err


def test_no_ledger_is_needed(run: Run, tmp_path: object) -> None:
    assert run("--ledger", "none.db", "decode", "code", "P0420").code == 0
