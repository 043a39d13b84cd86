"""The look-over walked item by item, without a terminal."""

import orjson
import pytest

from roadworn.model.errors import UsageError
from roadworn.model.payloads import Inspection
from roadworn.reading.walk import HELP, Walk
from roadworn.trade.limits import SHEETS, Item, Sheet, load_sheet


def item(name: str, component: str, **more: object) -> Item:
    more = {"area": "underneath", **more}
    return Item(name, (component,), "for this test", "CP", "fair", **more)  # type: ignore[arg-type]


PADS = item("Pads", "brake.pad", measurement="lining", unit="mm")
SMALL = Sheet(
    "small",
    "Small",
    "any",
    "",
    (item("Horn", "electrical.horn"), PADS, item("Tie rods", "steering.tie_rod_outer")),
)


def answered(*answers: str) -> Walk:
    walk = Walk(SMALL)
    for answer in answers:
        walk.answer(answer)
    return walk


def test_a_whole_walk() -> None:
    walk = answered("s", "w front 3 mm", "f L loose; s R")
    assert walk.item is None
    payload = walk.payload()
    assert payload == {
        "sheet": "small",
        "findings": [
            {
                "component": "brake.pad",
                "position": "front",
                "condition": "wearing",
                "measurements": [{"value": 3.0, "unit": "mm", "name": "lining"}],
            },
            {
                "component": "steering.tie_rod_outer",
                "position": "L",
                "condition": "failed",
                "safety": True,
                "note": "loose",
            },
        ],
        "sound": [
            {"component": "electrical.horn"},
            {"component": "steering.tie_rod_outer", "position": "R"},
        ],
    }
    Inspection.model_validate_json(orjson.dumps(payload))


@pytest.mark.parametrize(("key", "rest"), [("a", "sound"), ("q", "not_checked")])
def test_everything_else_sound_and_everything_else_not_checked(key: str, rest: str) -> None:
    walk = answered("s", key)
    assert walk.item is None
    assert walk.payload()["rest"] == rest


def test_nothing_is_sound_by_default() -> None:
    walk = answered("", "  ")
    assert walk.entries == []
    assert "rest" not in walk.payload()
    assert "sound" not in walk.payload()


def test_back_takes_the_last_answer_away() -> None:
    walk = answered("f", "b", "s")
    assert walk.payload() == {"sheet": "small", "sound": [{"component": "electrical.horn"}]}


def test_a_bare_figure_is_judged_and_the_person_decides() -> None:
    sheet = Sheet("one", "One", "any", "", (load_item("light_vehicle", "brake.pad"),))
    agreed, overruled = Walk(sheet), Walk(sheet)
    # 3 mm has reached the 4 mm at which the packaged sheet says attention is due: common
    # practice, no source.
    assert "wearing" in agreed.answer("front 3 mm")
    agreed.answer("")
    assert agreed.payload()["findings"][0]["condition"] == "wearing"
    overruled.answer("front 3 mm")
    overruled.answer("f")
    assert overruled.payload()["findings"][0]["condition"] == "failed"


@pytest.mark.parametrize("text", ["loose", "3", "s s s 3 parsec x y"])
def test_what_cannot_be_read_is_asked_again(text: str) -> None:
    walk = answered("s")
    before = walk.question()
    try:
        walk.answer(text)
    except UsageError:
        assert walk.question() == before


def test_help_explains_and_asks_again() -> None:
    walk = Walk(SMALL)
    assert walk.answer("?") == HELP
    assert walk.question().startswith("1/3")


def test_a_walk_goes_on_from_kept_entries() -> None:
    first = answered("s", "w front 3 mm")
    kept = orjson.loads(orjson.dumps(first.entries))
    second = Walk(SMALL, kept)
    assert second.question().startswith("3/3")
    second.answer("n")
    first.answer("n")
    assert second.payload() == first.payload()


def test_every_packaged_sheet_can_be_walked_to_its_end() -> None:
    for name in SHEETS.names():
        walk = Walk(load_sheet(name))
        while walk.item is not None:
            walk.answer("n")
        payload = walk.payload()
        assert len(payload["not_checked"]) == len({i.component for i in walk.sheet.items})
        Inspection.model_validate_json(orjson.dumps(payload))


def load_item(sheet: str, component: str) -> Item:
    return next(i for i in load_sheet(sheet).items if i.component == component and i.measurement)


def test_one_answer_gives_a_place_one_condition() -> None:
    walk = Walk(load_sheet("light_vehicle"))
    while walk.item is not None and walk.item.component != "wheel.tire":
        walk.answer("s")
    with pytest.raises(UsageError, match="given twice and differently"):
        walk.answer("s LF 6/32; f LF")
    assert walk.answer("s LF 6/32; f RF 1/32") == ""


def heavy_at(name: str) -> Walk:
    sheet = load_sheet("heavy_vehicle")
    items = tuple(i for i in sheet.items if i.name == name)
    return Walk(Sheet("heavy", "Heavy", "any", "", items))


def test_a_bare_figure_is_in_the_unit_of_the_question() -> None:
    """49 CFR 393.47(d)(1): continuous strip 3/16 in, at the limit passes."""
    walk = heavy_at("Lining, steer axle, air drum")
    assert "(lining thickness, in)" in walk.question()
    assert "the limit depends on the lining kind" in walk.answer("1L 3/16")
    assert walk.asks == "size"
    assert "wearing" in walk.answer("strip")
    assert walk.asks == "word"
    walk.answer("")
    (finding,) = walk.payload()["findings"]
    assert (finding["position"], finding["condition"]) == ("1L", "wearing")
    assert finding["note"] == "lining kind STRIP"
    assert finding["measurements"] == [{"value": 0.1875, "unit": "in", "name": "lining thickness"}]


def test_a_size_that_nobody_knows_leaves_the_item_not_checked() -> None:
    walk = heavy_at("Chamber stroke")
    walk.answer("1L 2 in")
    with pytest.raises(UsageError, match="chamber type"):
        walk.answer("31")
    assert walk.asks == "size"
    walk.answer("")
    (finding,) = walk.payload()["findings"]
    assert finding["condition"] == "not_checked"
    assert finding["measurements"][0]["value"] == 2.0


@pytest.mark.parametrize("text", ["2L s", "s axle 2", "2R 3/32 in", "LR 3/32"])
def test_a_place_of_another_axle_is_not_taken_for_this_one(text: str) -> None:
    walk = heavy_at("Tire tread, steer axle")
    if "axle 2" in text:
        walk = heavy_at("Lining, steer axle, air disc")
    with pytest.raises(UsageError, match="is not asked for here"):
        walk.answer(text)
    assert walk.entries == []


def test_a_figure_gone_back_over_is_kept_when_the_walk_is_left() -> None:
    """A mechanic typed 3/16 in, then b, then q, and the figure was gone."""
    sheet = load_sheet("light_vehicle")
    at = next(i for i, item in enumerate(sheet.items) if item.component == "wheel.tire")
    for keys in (
        ("5/32", "b", "q"),
        ("5/32", "q"),
        ("5/32", "", "b", "q"),
        ("s", "b", "5/32", "q"),
    ):
        walk = Walk(sheet)
        for _ in range(at):
            walk.answer("n")
        for key in keys:
            walk.answer(key)
        found = [
            (m["value"], m["unit"])
            for finding in walk.payload().get("findings", ())
            for m in finding.get("measurements", ())
        ]
        assert found == [(5, "32nds")], keys


@pytest.mark.parametrize(
    ("answer", "condition", "note"),
    [
        ("ok", None, None),
        ("loose on its bracket", "failed", "loose on its bracket"),
        ("weak", "wearing", "weak"),
    ],
)
def test_a_word_of_the_trade_answers(answer: str, condition: str | None, note: str | None) -> None:
    payload = answered(answer).payload()
    found = payload.get("findings", [{}])[0]
    assert (found.get("condition"), found.get("note")) == (condition, note)
    assert bool(payload.get("sound")) == (condition is None)


@pytest.mark.parametrize("answer", ["ok but weak", "no horn", "never weak"])
def test_an_answer_that_leaves_it_open_is_asked_again(answer: str) -> None:
    with pytest.raises(UsageError, match="says no condition"):
        answered(answer)
