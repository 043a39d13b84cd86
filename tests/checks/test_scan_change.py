"""A scan against the scans before it; the readiness bytes are those of SAE J1979."""

from functools import partial
from pathlib import Path

from builders import enrolled, scanned

from roadworn.checks.comebacks import codes
from roadworn.checks.facts import Draft
from roadworn.intake import Ledger
from roadworn.model.events import NewEvent

scan = partial(scanned, "car")


def said(tmp_path: Path, *scans: NewEvent) -> list[str]:
    """Return what is said of the last of these scans."""
    path = tmp_path / "roadworn.db"
    with Ledger.create(path) as ledger:
        ledger.append(enrolled("car", "2025-01-01", odometer=100))
        stored = [ledger.append(one) for one in scans][-1]
        return [problem.message for problem in codes(Draft.of(stored), ledger.facts)]


def test_gone_still_there_back_again_and_new(tmp_path: Path) -> None:
    told = said(
        tmp_path,
        scan("2026-01-01", "P0171"),
        scan("2026-02-01", "P0420", "P0301"),
        scan("2026-03-01", "P0420", "P0171", "P0455", readiness="8107E500"),
    )
    assert told == [
        "engine, against 2026-02-01: gone P0301; still there P0420; back again P0171; new P0455."
    ]


def test_gone_is_no_proof_before_the_monitors_have_run(tmp_path: Path) -> None:
    (told,) = said(tmp_path, scan("2026-02-01", "P0420"), scan("2026-02-02", readiness="0007E501"))
    assert "gone P0420" in told
    assert "not proved yet: catalyst not ready" in told
    (path := tmp_path / "without").mkdir()
    assert (
        "after the monitors have run"
        in said(path, scan("2026-02-01", "P0420"), scan("2026-02-02"))[0]
    )


def test_a_failed_read_and_another_module_say_nothing(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    assert (
        said(tmp_path / "a", scan("2026-02-01", "P0420"), scan("2026-03-01", outcome="failed"))
        == []
    )
    assert said(tmp_path, scan("2026-02-01", "C0031", module="brakes"), scan("2026-03-01")) == []


def test_a_scan_entered_late_is_held_against_what_was_before_it(tmp_path: Path) -> None:
    (told,) = said(
        tmp_path,
        scan("2026-01-01", "P0301"),
        scan("2026-05-01"),
        scan("2026-02-01", "P0301", "P0420"),
    )
    assert told == "engine, against 2026-01-01: still there P0301; new P0420."


def test_the_first_scan_has_nothing_to_be_held_against(tmp_path: Path) -> None:
    assert said(tmp_path, scan("2026-01-01", "P0301")) == []
