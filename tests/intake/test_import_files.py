"""NDJSON into the ledger: whole files or nothing, twice adds nothing, every problem in words."""

import codecs
import sqlite3

import orjson
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roadworn.intake import Ledger
from roadworn.intake import files as intake
from roadworn.intake.chunks import ChunkMaker
from roadworn.intake.files import import_files
from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn.model.kinds import EventKind, KindRegistry
from roadworn.model.messages import Problem
from roadworn.model.payloads import Payload
from roadworn.store.schema import missing_guards
from roadworn.store.verify import verify
from roadworn.store.writer import Row
from roadworn.testing import event

ENROL = {"vehicle_id": "bus-7", "kind": "enrolment", "occurred_at": "2026-01-01", "payload": {}}


def reading(odometer, **more):
    return {
        "vehicle_id": "bus-7",
        "kind": "odometer_reading",
        "occurred_at": "2026-02-01",
        "odometer": odometer,
        "odometer_unit": "km",
        "payload": {},
        **more,
    }


def brake(odometer, **payload):
    content = {"component": "brake.pad", "reason": "failed", **payload}
    return {**reading(odometer), "kind": "replacement", "payload": content}


def text_of(rows):
    return b"".join(row if isinstance(row, bytes) else orjson.dumps(row) + b"\n" for row in rows)


@pytest.fixture
def ledger(tmp_path):
    with Ledger.create(tmp_path / "shop.db") as made:
        yield made


@pytest.fixture
def write(tmp_path):
    def write(*rows, name="rows.ndjson", coded=lambda data: data):
        path = tmp_path / name
        path.write_bytes(coded(text_of(rows)))
        return path

    return write


@pytest.fixture(params=["here", "helper", "in stages"])
def where(request, monkeypatch):
    """Make rows in this process, or in a helper, or in stages, however small the file is."""
    if request.param == "helper":
        monkeypatch.setattr(intake, "_HELP_FROM_BYTES", 0)
    if request.param == "in stages":
        monkeypatch.setattr(intake, "_STAGED_FROM_BYTES", 0)
    return request.param


def codes(report):
    return [(problem.code, problem.row) for problem in report.problems]


def test_a_file_and_the_same_file_again(ledger, write, where):
    path = write(ENROL, reading(1), reading(2), b"\n", brake(3), reading(3))
    report = import_files(ledger, [path])
    assert (report.rows, report.added, report.already_there, report.problems) == (5, 5, 0, ())
    assert [made.source for made in ledger.events()] == ["file"] * 5
    before = ledger.checkpoint()
    report = import_files(ledger, [path])
    assert (report.rows, report.added, report.already_there, report.problems) == (5, 0, 5, ())
    # The same rows from a file of another name, order of keys and spacing are the same rows.
    other = path.with_name("copy.jsonl")
    lines = [orjson.loads(line) for line in path.read_bytes().split(b"\n") if line.strip()]
    spaced = [str(dict(reversed(line.items()))).replace("'", '"') for line in lines]
    other.write_text("\r\n".join(spaced))
    report = import_files(ledger, [other])
    assert (report.added, report.already_there, report.problems) == (0, 5, ())
    assert ledger.checkpoint() == before
    assert verify(ledger.path).problems == ()


def test_two_equal_lines_are_two_events_and_a_grown_file_adds_what_is_new(ledger, write, where):
    assert import_files(ledger, [write(ENROL, reading(1), reading(1))]).added == 3
    report = import_files(ledger, [write(ENROL, reading(1), reading(1), reading(1), reading(2))])
    assert (report.added, report.already_there) == (2, 3)
    report = import_files(ledger, [write(reading(1), reading(2), reading(1))])
    assert (report.added, report.already_there) == (0, 3)
    assert ledger.checkpoint().size == 5


def test_a_row_that_is_there_in_the_middle_of_many(ledger, write, where):
    """Many rows go in without the insert guard; what it looks for is refused all the same."""
    own = {"event_id": "0190a1b2-c3d4-7000-8000-000000000001"}
    import_files(ledger, [write(ENROL, reading(400), reading(600, **own))])
    path = write(*(reading(at, **(own if at == 600 else {})) for at in range(1_000)))
    report = import_files(ledger, [path])
    assert (report.added, report.already_there, report.problems) == (998, 2, ())
    assert [made.seq for made in ledger.events()] == list(range(1, 1_002))
    path = write(*(reading(at, **(own if at == 1_500 else {})) for at in range(1_000, 2_000)))
    report = import_files(ledger, [path], keep_good=True)
    assert (report.added, codes(report)) == (999, [("event-id-taken", 501)])
    # The report of `verify` names a guard that is missing.
    assert verify(ledger.path).problems == ()


def test_the_guard_is_back_when_a_large_file_is_not_taken(ledger, write):
    rows = [ENROL, *(reading(at) for at in range(1_000)), reading(-1)]
    assert import_files(ledger, [write(*rows)]).added == 0
    assert missing_guards(ledger._connection) == []
    ledger.append(event("bus-7", "enrolment", "2026-01-01"))
    assert verify(ledger.path).problems == ()


def test_rows_with_ids_of_their_own(ledger, write, where):
    first, second = (f"0190a1b2-c3d4-7000-8000-00000000000{at}" for at in (1, 2))
    path = write(ENROL, reading(1, event_id=first), reading(2, event_id=second))
    assert import_files(ledger, [path]).added == 3
    assert ledger.event(second).odometer == 2.0
    assert import_files(ledger, [path]).already_there == 3
    report = import_files(ledger, [write(reading(3, event_id=first))])
    assert codes(report) == [("event-id-taken", 1)]


def test_an_exported_ledger_comes_back_with_the_same_leaves(ledger, write, tmp_path, where):
    import_files(ledger, [write(ENROL, reading(1), reading(1), brake(3))])
    rows = []
    for made in ledger.events():
        names = [name for name in Row._fields if name not in ("leaf", "payload")]
        rows.append({**{n: getattr(made, n) for n in names}, "payload": made.data()})
    with Ledger.create(tmp_path / "copy.db") as copy:
        report = import_files(copy, [write(*rows, name="export.ndjson")])
        assert (report.added, report.problems) == (4, ())
        assert copy.checkpoint() == ledger.checkpoint()


def test_nothing_of_a_file_with_problems_is_taken(ledger, write, where):
    good, bad = write(ENROL, name="a.ndjson"), write(reading(1), reading(-1), name="b.ndjson")
    report = import_files(ledger, [good, bad])
    assert (report.rows, report.added, codes(report)) == (3, 1, [("out-of-range", 2)])
    assert report.problems[0].file == str(bad)
    assert ledger.checkpoint().size == 1
    report = import_files(ledger, [bad], keep_good=True)
    assert (report.added, codes(report)) == (1, [("out-of-range", 2)])
    assert [made.odometer for made in ledger.events(after=1)] == [1.0]


def test_a_dry_run_writes_nothing_and_finds_what_a_run_finds(ledger, write, where):
    files = [
        write(ENROL, reading(1), name="a.ndjson"),
        write({**ENROL, "vehicle_id": "bus-8"}, reading(-1), name="b.ndjson"),
        write(reading(2), reading(3, vehicle_id="bus-8"), name="c.ndjson"),
    ]
    dry = import_files(ledger, files, dry_run=True)
    assert ledger.checkpoint().size == 0
    assert dry == import_files(ledger, files)
    # bus-8 was in the file that was not taken, so it is not enrolled in the next one.
    assert codes(dry) == [("out-of-range", 2), ("not-enrolled", 2)]
    assert ledger.checkpoint().size == 2


WRONG = [
    (b'{"vehicle_id": \n', "not-json", ""),
    (b"[1, 2]\n", "not-an-event", ""),
    (b'"text"\n', "not-an-event", ""),
    (b"\xff\xfe\xfa\n", "not-utf8", ""),
    ({**reading(1), "kind": "odometer-reading"}, "unknown-kind", "kind"),
    ({**reading(1), "vehicle_id": "bus 7"}, "bad-form", "vehicle_id"),
    ({**reading(1), "vehicle_id": "bus-77"}, "not-enrolled", "vehicle_id"),
    ({**reading(1), "occurred_at": "01.02.2026"}, "bad-form", "occurred_at"),
    ({**reading(1), "occurred_at": "2026-02-30"}, "no-such-date", "occurred_at"),
    ({**reading(1), "occurred_at": "2026-02-01T25:00:00Z"}, "no-such-date", "occurred_at"),
    (reading(1, recorded_at="2026-01-30T00:00:00Z"), "in-the-future", "occurred_at"),
    (reading(1, recorded_at="9999-01-30T00:00:00Z"), "recorded-ahead", "recorded_at"),
    (
        {**reading(1, recorded_at="9999-12-31T00:00:00Z"), "occurred_at": "9999-12-31"},
        "recorded-ahead",
        "recorded_at",
    ),
    ({**reading(1), "occurred_at": "9999-12-31"}, "in-the-future", "occurred_at"),
    ({**reading(1), "odometer": "1"}, "bad-type", "odometer"),
    ({**reading(1), "odometer": True}, "bad-type", "odometer"),
    ({**reading(1), "odometer": 1e8}, "out-of-range", "odometer"),
    ({**reading(1), "odometer_unit": None}, "unit-missing", "odometer_unit"),
    ({**reading(1), "odometer": None}, "odometer-missing", "odometer"),
    ({**reading(1), "odometer_unit": "miles"}, "bad-value", "odometer_unit"),
    (reading(1, colour="red"), "unknown-field", "colour"),
    (reading(1, version=2), "newer-version", "version"),
    (reading(1, version=True), "bad-type", "version"),
    (reading(1, recorded_by=None), "bad-type", "recorded_by"),
    (reading(1, event_id="7"), "bad-form", "event_id"),
    (reading(1, intake_key=""), "empty", "intake_key"),
    ({**reading(1), "payload": None}, "bad-type", "payload"),
    ({**reading(1), "payload": {"how": "guess"}}, "bad-value", "payload.how"),
    ({**reading(1), "payload": {"hwo": "dash"}}, "unknown-field", "payload.hwo"),
    ({k: v for k, v in reading(1).items() if k != "payload"}, "missing-field", "payload"),
    (brake(1, component="brake.padd"), "unknown-component", "payload.component"),
    (brake(1, along_with="brake.padd"), "unknown-component", "payload.along_with"),
    (brake(1, reason="broke"), "bad-value", "payload.reason"),
    (
        brake(1, parts_cost={"amount": 84.5, "currency": "USD"}),
        "bad-type",
        "payload.parts_cost.amount",
    ),
    (
        brake(
            1,
            parts_cost={"amount": "84.50", "currency": "USD"},
            labour_rate={"amount": "84.50", "currency": "CAD"},
        ),
        "mixed-currencies",
        "payload",
    ),
    (
        brake(1, replaces="0190a1b2-c3d4-7000-8000-000000000009"),
        "unknown-event",
        "payload.replaces",
    ),
    (
        {**reading(1), "kind": "retraction", "payload": {"event": "0" * 36, "reason": "x"}},
        "unknown-event",
        "payload.event",
    ),
    (
        {
            **reading(1),
            "kind": "inspection",
            "payload": {"findings": [{"component": "brake.shoo", "condition": "failed"}]},
        },
        "unknown-component",
        "payload.findings[0].component",
    ),
    (
        {
            **reading(1),
            "kind": "inspection_result",
            "payload": {"inspection": "safety", "result": "pass", "due_date": "2026-02-31"},
        },
        "no-such-date",
        "payload.due_date",
    ),
    (ENROL, "enrolled-twice", "vehicle_id"),
    # Deeper than JSON can be written again.
    (
        b'{"vehicle_id": "bus-7", "kind": "scan", "occurred_at": "2026-02-01", "payload": {"x": '
        + b"[" * 600
        + b"]" * 600
        + b"}}\n",
        "bad-value",
        "payload",
    ),
    ({**reading(1), "occurred_at": "\u0662026-02-01"}, "bad-form", "occurred_at"),
    (
        brake(1, parts_cost={"amount": "\u0668\u0664", "currency": "USD"}),
        "bad-form",
        "payload.parts_cost.amount",
    ),
]


@pytest.mark.parametrize(
    "row,code,column", WRONG, ids=[f"{w[1]}-{w[2]}-{n}" for n, w in enumerate(WRONG)]
)
def test_each_wrong_row_is_a_problem_with_place_sentence_and_hint(ledger, write, row, code, column):
    path = write({**ENROL, "payload": {"label": "x"}}, reading(5), row, reading(6))
    report = import_files(ledger, [path])
    assert [(p.code, p.row, p.column, p.file) for p in report.problems] == [
        (code, 3, column, str(path))
    ]
    problem = report.problems[0]
    assert problem.message.endswith(".")
    assert problem.hint
    for jargon in ("pydantic", "literal", "str_type", "Input should", "valid "):
        assert jargon not in problem.message + problem.hint
    assert (report.rows, report.added, ledger.checkpoint().size) == (4, 0, 0)


def test_a_wrong_row_has_all_its_problems(ledger, write):
    row = {**brake(1, reason="broke", component="x"), "occurred_at": "2026-13-01"}
    report = import_files(ledger, [write(ENROL, row)])
    assert sorted(problem.column for problem in report.problems) == [
        "occurred_at",
        "payload.component",
        "payload.reason",
    ]
    assert {problem.row for problem in report.problems} == {2}


def test_an_enrolment_must_come_first(ledger, write, where):
    assert codes(import_files(ledger, [write(reading(1), ENROL)])) == [("not-enrolled", 1)]


def test_the_same_replacement_entered_twice(ledger, write, where):
    rows = [ENROL, brake(100, position="LF"), brake(100, position="RF"), brake(101, position="LF")]
    assert import_files(ledger, [write(*rows)]).added == 4
    again = {**brake(100, position="LF"), "recorded_by": "somebody else"}
    report = import_files(ledger, [write(again)])
    assert codes(report) == [("entered-twice", 1)]
    assert "event 2 " in report.problems[0].message
    inside = write(brake(200, note="a"), brake(200, note="b"))
    assert codes(import_files(ledger, [inside])) == [("entered-twice", 2)]
    assert import_files(ledger, [write(again)], allow_repeat=True).added == 1


def test_a_replacement_taken_back_may_be_entered_again(ledger, write):
    import_files(ledger, [write(ENROL, brake(100), brake(200))])
    first, second = list(ledger.events(after=1))
    ledger.append(
        event("bus-7", "retraction", "2026-02-02", event=first.event_id, reason="wrong note")
    )
    rows = [brake(100, note="a"), brake(200, note="b", replaces=second.event_id)]
    report = import_files(ledger, [write(*rows)])
    assert (report.added, report.problems) == (2, ())


def test_a_retracted_enrolment_within_a_file(ledger, write, where):
    enrolment = {**ENROL, "event_id": "0190a1b2-c3d4-7000-8000-000000000001"}
    back = {"event": enrolment["event_id"], "reason": "wrong bus"}
    rows = [
        enrolment,
        reading(1),
        {**reading(2), "kind": "retraction", "payload": back},
        reading(3),
    ]
    report = import_files(ledger, [write(*rows)], keep_good=True)
    assert (report.added, codes(report)) == (3, [("not-enrolled", 4)])


def test_other_components_are_taken(ledger, write, where):
    report = import_files(ledger, [write(ENROL, brake(1, component="other.snow_plough"))])
    assert (report.added, report.problems) == (2, ())


ENCODINGS = {
    "utf-8": lambda data: data,
    "utf-8 with mark": lambda data: codecs.BOM_UTF8 + data,
    "utf-16 little": lambda data: codecs.BOM_UTF16_LE + data.decode().encode("utf-16-le"),
    "utf-16 big": lambda data: codecs.BOM_UTF16_BE + data.decode().encode("utf-16-be"),
}


@pytest.mark.parametrize("coded", ENCODINGS.values(), ids=ENCODINGS)
def test_encodings(ledger, write, coded, where):
    note = "Käfer – 左前 \u202e 🛞"
    report = import_files(ledger, [write(ENROL, brake(1, note=note), coded=coded)])
    assert report.problems == ()
    assert next(ledger.events(after=1)).data()["note"] == note


def test_encodings_that_are_not_read(ledger, write, where):
    latin = write(ENROL, brake(1, note="Käfer"), coded=lambda d: d.decode().encode("latin-1"))
    assert codes(import_files(ledger, [latin])) == [("not-utf8", 2)]
    bare = write(ENROL, coded=lambda d: d.decode().encode("utf-16-le"))
    report = import_files(ledger, [bare])
    assert {problem.code for problem in report.problems} == {"not-utf8"}
    for coded in (
        lambda d: codecs.BOM_UTF32_LE + d.decode().encode("utf-32-le"),
        lambda d: codecs.BOM_UTF16_LE + d.decode().encode("utf-16-le")[:-1],
    ):
        with pytest.raises(UsageError, match="save it as UTF-8"):
            import_files(ledger, [write(ENROL, coded=coded)])
    assert ledger.checkpoint().size == 0


def test_files_that_cannot_be_read(ledger, tmp_path):
    for path in (tmp_path / "none.ndjson", tmp_path):
        with pytest.raises((EnvironmentFailure, UsageError)):
            import_files(ledger, [path])
    with pytest.raises(UsageError, match="--map"):
        import_files(ledger, [tmp_path / "table.csv"])


def test_an_empty_file(ledger, write, where):
    report = import_files(ledger, [write()])
    assert (report.rows, report.added, report.problems) == (0, 0, ())


def test_progress_reaches_the_number_of_rows(ledger, write, where):
    told = []
    path = write(ENROL, *(reading(at) for at in range(5_000)))
    import_files(ledger, [path], progress=lambda done, total: told.append((done, total)))
    assert told[-1] == (5_001, 5_001)
    assert len(told) >= 2


class Dent(Payload):
    """A plugin's kind; with a validator of its own it has no fast form."""

    panel: str


def test_kinds_of_plugins(tmp_path, write, where):
    kinds = KindRegistry([EventKind("bodyshop.dent", Dent)])
    row = {**reading(1), "kind": "bodyshop.dent"}
    path = write(ENROL, {**row, "payload": {"panel": "roof"}}, {**row, "payload": {"panel": 1}})
    with Ledger.create(tmp_path / "plugin.db", kinds) as ledger:
        report = import_files(ledger, [path], keep_good=True)
    assert (report.added, codes(report)) == (2, [("bad-type", 3)])


def test_an_interrupted_import_leaves_nothing_and_no_process(ledger, write, where):
    class Interrupted(Exception):
        pass

    def interrupt(done, total):
        raise Interrupted

    path = write(ENROL, *(reading(at) for at in range(9_000)))
    with pytest.raises(Interrupted):
        import_files(ledger, [path], progress=interrupt)
    assert ledger.checkpoint().size == 0
    assert import_files(ledger, [path]).added == 9_001


VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-5, 5),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from(["", "km", "x" * 70, "brake.pad", "2026-02-01", "2026-02-30", "bus-7"]),
    st.sampled_from(["2026-02-01T09:30:00Z", "2026-02-01T24:00:00Z", "2026-02-01T09:30:00.5Z"]),
    st.sampled_from(["2026-02-01\n", "\u0662026-02-01", "2026-02-01T09:30:00", "9999-12-31"]),
    st.lists(st.integers(0, 1), max_size=1),
    st.just({}),
)


@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_the_fast_way_and_the_careful_way_agree(data):
    """A row is taken by both or by neither, and what is stored is the same."""
    maker = ChunkMaker(KindRegistry())
    # The fast way remembers what was right once.
    maker.chunk([orjson.dumps(reading(1)), orjson.dumps(brake(1))])
    row = data.draw(st.sampled_from([reading(5), brake(5), ENROL]))
    names = [*row, "version", "recorded_by", "source", "event_id", "recorded_at", "intake_key", "x"]
    for _ in range(data.draw(st.integers(1, 2))):
        row = {**row, data.draw(st.sampled_from(names), "name"): data.draw(VALUES, "value")}
    line = [orjson.dumps(row)]
    fast, slow = maker.chunk(line, 7), careful(line)
    assert fast.problems == slow.problems
    assert len(fast.rows) == len(slow.rows)
    for one, two in zip(fast.rows, slow.rows, strict=True):
        made = [at for at, name in enumerate(Row._fields) if name in ("event_id", "recorded_at")]
        given_ = [at for at, name in enumerate(("event_id", "recorded_at")) if row.get(name)]
        skip = {made[at] for at in (0, 1) if at not in given_} | {len(one) - 1}
        for at, (left, right) in enumerate(zip(one, two, strict=True)):
            assert at in skip or (left == right and type(left) is type(right)), Row._fields[at]
        assert Row(*one).sealed().leaf == one[-1]
    assert fast.given == slow.given


def test_a_wrong_time_on_a_day_that_is_known():
    """The clock is looked at for a vehicle met before and for a new one."""
    maker = ChunkMaker(KindRegistry())
    maker.chunk([orjson.dumps(reading(1))])
    for vehicle in ("bus-7", "bus-8"):
        row = reading(1, vehicle_id=vehicle, occurred_at="2026-02-01T24:00:00Z")
        assert [problem.code for problem in maker.chunk([orjson.dumps(row)]).problems] == [
            "no-such-date"
        ]


def careful(line):
    maker = ChunkMaker(KindRegistry())
    maker._payloads.clear()
    return maker.chunk(line, 7)


def test_problems_are_values():
    problem = Problem("code", "message.", "hint", "f.ndjson", 3, "kind")
    assert str(problem) == "f.ndjson:3:kind: message. (hint) [code]"


def test_nothing_but_the_store_has_written(ledger, write):
    import_files(ledger, [write(ENROL, reading(1))])
    connection = sqlite3.connect(ledger.path)
    sizes = [size for (size,) in connection.execute("SELECT size FROM checkpoints")]
    connection.close()
    assert sizes == [2]
