"""One ordered list, run by every door: a rule that is added to it is told at each of them."""

import ast
import copy
import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import orjson
import pytest

from roadworn import checks
from roadworn.checks import Check, Needs, odd, payload_findings
from roadworn.checks.facts import Draft, Facts
from roadworn.checks.known import payload_problems, unknown_components
from roadworn.intake import Ledger, plain_validator
from roadworn.intake.fast import kind_payloads
from roadworn.intake.files import import_files
from roadworn.model.kinds import KindRegistry
from roadworn.model.messages import Problem, Sentence, Severity
from roadworn_cli.main import main

GOLDEN = Path(__file__).parents[1] / "model" / "golden"
TOLD = "So many hours."


def probe(draft: Draft, _facts: Facts) -> Iterator[Problem]:
    """Doubt so many hours, and so deep a groove."""
    if (draft.payload.get("labour_hours") or 0) > 99:
        yield Problem("many-hours", Sentence("many-hours", TOLD), column="payload.labour_hours")
    findings = draft.payload.get("findings", ())
    for at, finding in enumerate(findings):
        if 7.25 in (measured["value"] for measured in finding.get("measurements", ())):
            told = Sentence("many-hours", TOLD)
            yield Problem("many-hours", told, column=f"payload.findings[{at}]")


@pytest.fixture(params=["all fields", "its fields"])
def probed(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """Put a rule into the list; with its fields it may be passed over where none is set."""
    fields = None if request.param == "all fields" else ("labour_hours", "measurements")
    return put(monkeypatch, Check("odd:many_hours", Needs.PAYLOAD, fields=fields))


def put(patch: pytest.MonkeyPatch, check: Check) -> pytest.MonkeyPatch:
    patch.setattr(odd, "many_hours", probe, raising=False)
    patch.setattr(checks, "CHECKS", (*checks.CHECKS, check))
    checks._rules.cache_clear()
    return patch


@pytest.fixture(autouse=True)
def _list_as_it_was() -> Iterator[None]:
    yield
    checks._rules.cache_clear()


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    assert main(["create"]) == 0
    assert main(["enrol", "van-3", "--odometer", "90,000 mi", "--on", "2026-01-01"]) == 0
    return tmp_path


def said(capfd: pytest.CaptureFixture[str], *words: str) -> str:
    capfd.readouterr()
    assert main(list(words)) == 0
    return "".join(capfd.readouterr())


ROOM = Path(checks.__file__).parent


@pytest.mark.parametrize("path", sorted(ROOM.glob("*.py")), ids=lambda path: path.stem)
def test_what_a_rule_says_is_kept_as_the_parts_it_is_made_of(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    messages = [c.args[1] for c in calls if ast.unparse(c.func) == "Problem" and len(c.args) > 1]
    plain = [m for m in messages if isinstance(m, ast.JoinedStr | ast.Constant)]
    assert [ast.unparse(m) for m in plain] == []


REPLACED = ("record", "replacement", "van-3", "alternator", "--reason", "failed")


@pytest.mark.usefixtures("probed")
def test_it_is_told_where_it_is_typed(shop: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert TOLD in said(capfd, *REPLACED, "--hours", "120")


@pytest.mark.usefixtures("probed")
def test_it_is_told_of_a_correction(shop: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert TOLD not in said(capfd, *REPLACED, "--hours", "2")
    with Ledger.open(shop / "roadworn.db") as ledger:
        last = list(ledger.events())[-1].event_id
    assert TOLD in said(capfd, "correct", last, "labour_hours=120")


@pytest.mark.usefixtures("probed")
def test_it_is_told_of_what_a_correction_changes_inside(
    shop: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert TOLD not in said(capfd, "record", "inspection", "van-3", "brake pads LF 6 mm sound")
    with Ledger.open(shop / "roadworn.db") as ledger:
        last = list(ledger.events())[-1].event_id
    assert TOLD not in said(capfd, "correct", last, "note=wet floor")
    with Ledger.open(shop / "roadworn.db") as ledger:
        last = list(ledger.events())[-1].event_id
    assert TOLD in said(capfd, "correct", last, "findings.0.measurements.0.value=7.25")


@pytest.mark.usefixtures("probed")
def test_it_is_told_of_a_filled_table(shop: Path, capfd: pytest.CaptureFixture[str]) -> None:
    rows = list(csv.reader(said(capfd, "sheets", "light_vehicle", "--blank").splitlines()))
    head = rows[0]
    row = next(row for row in rows[1:] if row[head.index("component")] == "brake.pad")
    row[head.index("measured")], row[head.index("unit")] = "7.25", "mm"
    row[head.index("condition")] = "sound"
    with (shop / "look.csv").open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    assert TOLD in said(capfd, "record", "inspection", "van-3", "--filled", "look.csv")


@pytest.mark.usefixtures("probed")
def test_it_is_told_of_a_csv_file(shop: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (shop / "jobs.csv").write_text(
        "Unit,Date,Part,Why,Hours\nvan-3,2026-02-01,alternator,failed,120\n"
    )
    (shop / "jobs.toml").write_text(
        'kind = "replacement"\n[columns]\nUnit = "vehicle_id"\nDate = "occurred_at"\n'
        'Part = "component"\nWhy = "reason"\nHours = "labour_hours"\n'
    )
    assert TOLD in said(capfd, "import", "jobs.csv", "--map", "jobs.toml")


def row(payload: dict[str, Any], kind: str = "replacement", **more: object) -> dict[str, Any]:
    envelope = {"vehicle_id": "van-3", "kind": kind, "occurred_at": "2026-02-01"}
    return envelope | {"payload": payload} | more


WORK: dict[str, Any] = {
    "component": "electrical.alternator",
    "reason": "failed",
    "labour_hours": 120.0,
}
LOOK = {
    "findings": [
        {
            "component": "brake.pad",
            "condition": "failed",
            "position": "LF",
            "measurements": [{"value": 7.25, "unit": "mm"}],
        }
    ]
}


@pytest.mark.usefixtures("probed")
@pytest.mark.parametrize(
    "given",
    [
        pytest.param(row(WORK), id="fast"),
        pytest.param(row(WORK | {"note": "as ever"}), id="fast with a note"),
        pytest.param(row(LOOK, "inspection"), id="fast look-over"),
        pytest.param(row(WORK, version=1, occurred_at="2026-02-01T10:00:00.5Z"), id="unusual"),
    ],
)
def test_it_is_told_of_every_row_of_ndjson(shop: Path, given: dict[str, Any]) -> None:
    (shop / "jobs.ndjson").write_bytes(orjson.dumps(given) + b"\n")
    with Ledger.open(shop / "roadworn.db") as ledger:
        report = import_files(ledger, [str(shop / "jobs.ndjson")])
    assert not report.problems
    assert report.added == 1
    assert [d.message for group in report.doubts for d in group.kept] == [TOLD]


@pytest.mark.parametrize(
    ("given", "needs"),
    [
        (row(WORK), Needs.PAYLOAD),
        (row(LOOK, "inspection"), Needs.PAYLOAD),
        (row(WORK), Needs.LEDGER),
        (row(LOOK, "inspection"), Needs.LEDGER),
    ],
)
def test_what_it_refuses_no_row_of_ndjson_brings_in(
    shop: Path, monkeypatch: pytest.MonkeyPatch, given: dict[str, Any], needs: Needs
) -> None:
    fields = ("labour_hours", "measurements")
    put(monkeypatch, Check("odd:many_hours", needs, (), Severity.REFUSED, fields))
    (shop / "jobs.ndjson").write_bytes(orjson.dumps(given) + b"\n")
    with Ledger.open(shop / "roadworn.db") as ledger:
        report = import_files(ledger, [str(shop / "jobs.ndjson")])
    assert report.added == 0
    assert [problem.message for problem in report.problems] == [TOLD]


def leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], Any]]:
    """Yield (path, value) for each value in a payload that holds no others."""
    if isinstance(value, dict | list):
        for key, item in value.items() if isinstance(value, dict) else enumerate(value):
            yield from leaves(item, (*path, key))
    else:
        yield path, value


#: What a text or a figure is exchanged for: right of form, and mostly wrong in what it says.
TEXTS = ("XXX", "EUR", "-90.50", "wheel.bering", "LF", "lf", "parsec", "mm", "P03O1", "SPN 1 FMI",
         "2026-02-30", "Mr Nobody, +1 555 0100 200", "brake.pad", "2204-05-04")  # fmt: skip
FIGURES = (-1.0, 0, 900.0, 1, 2)


def mutants(payload: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield a payload with each of its values exchanged in turn."""
    yield payload
    for path, value in leaves(payload):
        for other in TEXTS if isinstance(value, str) else FIGURES:
            made = copy.deepcopy(payload)
            holder = made
            for step in path[:-1]:
                holder = holder[step]
            holder[path[-1]] = other
            yield made


@pytest.mark.parametrize("kind", [kind.name for kind in KindRegistry()])
def test_the_fast_way_of_an_import_finds_what_the_rules_find(kind: str) -> None:
    golden = orjson.loads((GOLDEN / f"{kind}.v1.json").read_bytes())
    fast = kind_payloads(KindRegistry())[kind]
    validator = plain_validator(KindRegistry().get(kind).model)
    assert validator is not None
    taken = 0
    for payload in (made for start in starts(golden) for made in mutants(start)):
        try:
            valid = validator.validate_python(payload)
        except ValueError:
            continue
        refused = [
            *payload_problems(valid),
            *unknown_components(valid),
            *payload_findings(kind, valid, Severity.REFUSED),
        ]
        if fast.plain(valid):
            assert not refused, payload
            taken += 1
            odd_there = payload_findings(kind, valid, Severity.ODD)
            assert list(fast.check(payload, b"x" * 300)[3]) == odd_there, payload
    assert taken


def starts(golden: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield a payload, and it without each of its fields in turn."""
    yield golden
    for name in golden:
        yield {key: value for key, value in golden.items() if key != name}
