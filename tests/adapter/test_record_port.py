"""`record scan --port` from the command line to the ledger, against the stand-in adapter."""

import json
from pathlib import Path

import pytest
from adapter.responder import CAN, VIN, Responder

from roadworn.intake import Ledger
from roadworn_cli.main import main

OTHER_VIN = "11111111111111111"  # the usual trivial check-digit test


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    assert main(["create"]) == 0
    words = ["--make", "Tarrow", "--year", "1989", "--odometer", "10 mi"]
    assert main(["enrol", "car-1", "--vin", VIN, *words]) == 0
    assert main(["enrol", "car-2", "--vin", OTHER_VIN, *words]) == 0
    return tmp_path / "roadworn.db"


def scans(path: Path) -> list[dict[str, object]]:
    with Ledger.open(path, writable=False) as ledger:
        return [json.loads(e.payload) for e in ledger.events() if e.kind == "scan"]


def test_a_read_goes_into_the_ledger_with_its_codes_and_reading(shop: Path) -> None:
    with Responder(CAN).on_socket() as port:
        code = main(["record", "scan", "car-1", "--port", port])
    # The status byte counts three codes and the list has two: said, and recorded all the same.
    assert code == 1
    (payload,) = scans(shop)
    assert payload["lamp"] == "on"
    assert payload["readiness"] == "8307E541"
    modules = payload["modules"]
    assert isinstance(modules, list)
    assert {"code": "P0171", "status": "pending"} in modules[0]["codes"]
    with Ledger.open(shop, writable=False) as ledger:
        event = next(e for e in ledger.events() if e.kind == "scan")
    assert (event.odometer, event.odometer_unit) == (123456.7, "km")


def test_another_vehicle_on_the_socket_is_refused_before_anything_is_written(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Responder(CAN).on_socket() as port:
        code = main(["record", "scan", "car-2", "--port", port])
    assert code == 1
    assert scans(shop) == []
    said = capsys.readouterr().err
    assert VIN in said
    assert "nothing was written" in said


def test_typed_codes_and_a_port_do_not_go_together(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["record", "scan", "car-1", "P0420", "--port", "socket://127.0.0.1:9"]) == 2
    assert "leave out codes" in capsys.readouterr().err
    assert scans(shop) == []


def test_no_adapter_is_an_environment_failure_in_one_sentence(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["record", "scan", "car-1", "--port", "socket://127.0.0.1:9"]) == 4
    said = capsys.readouterr().err
    assert "Traceback" not in said
    assert scans(shop) == []
