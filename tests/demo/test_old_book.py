"""The messy book of the demo comes in by the guided way, with what is planted in the demo."""

from collections import Counter
from pathlib import Path

import pytest

from roadworn.intake import Ledger
from roadworn.intake.files import import_files
from roadworn.intake.look import look
from roadworn.intake.look_ask import Known
from roadworn.intake.look_files import aliases_text, map_text
from roadworn.model.events import NewEvent, StoredEvent
from roadworn.model.kinds import KindRegistry
from roadworn_demo.old_book import PARTS, book_events, write_old_book

#: What a manager answers: nothing of it is open, as the README of the demo says.
ANSWERS: dict[str, str] = {}


def said(event: StoredEvent) -> tuple[object, ...]:
    data = event.data()
    names = ("component", "position", "reason", "supplier", "part_number")
    return event.vehicle_id, event.occurred_at[:10], event.odometer, *map(data.get, names)


@pytest.fixture(scope="module")
def brought(
    demo_ledger: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[list[StoredEvent], list[StoredEvent]]:
    """The events of the demo that the book holds, and those that came back from it."""
    folder = tmp_path_factory.mktemp("book")
    with Ledger.open(demo_ledger, writable=False) as demo:
        path = write_old_book(demo, folder)
        true = book_events(demo)
    (draft,) = look([path], Known(KindRegistry(), {}, {}))
    for question in list(draft.questions):
        given = [answer for word, answer in ANSWERS.items() if word in question.text]
        assert given, question.text
        draft.answer(question, given[0])
    (folder / "b.aliases.toml").write_text(aliases_text(draft, "b.map.toml"), "utf-8")
    (folder / "b.map.toml").write_text(map_text(draft, "b.aliases.toml"), "utf-8")
    with Ledger.create(folder / "own.db") as own:
        own.append_many(
            NewEvent(vehicle_id=v, kind="enrolment", occurred_at=draft.first_day, payload={})
            for v in draft.unknown
        )
        size = own.checkpoint().size
        report = import_files(own, [path], csv_map=folder / "b.map.toml")
        assert report.problems == ()
        return true, list(own.events(size))


def test_the_book_comes_in_whole(
    brought: tuple[list[StoredEvent], list[StoredEvent]],
) -> None:
    true, came = brought
    assert len(true) > 200
    assert Counter(map(said, came)) == Counter(map(said, true))


def test_what_is_planted_is_in_it(
    brought: tuple[list[StoredEvent], list[StoredEvent]],
) -> None:
    _true, came = brought
    of_part = {part: [e for e in came if e.data()["component"] == part] for part in PARTS}
    # Coolant pumps of the delivery vans last a third as long: most of all that failed are theirs.
    pumps = Counter(e.vehicle_id.partition("-")[0] for e in of_part["cooling.water_pump"])
    assert pumps["van"] > sum(pumps.values()) / 2
    # The part eater, and the bad batch, whose supplier stood there in three spellings.
    eaten = Counter(e.vehicle_id for e in of_part["electrical.alternator"])
    assert eaten.most_common(1)[0][0] == "bus-7"
    batch = [e for e in of_part["wheel.bearing"] if e.data().get("part_number") == "LS-WBEA-77"]
    assert batch
    assert {e.data()["supplier"] for e in batch} == {"Lowmoor Spares"}
