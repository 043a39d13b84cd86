"""The bench speaks the trade: phrases as mechanics write them, and what each must mean.

What each word means is common practice, no source. ``bench_phrases.csv`` was written from a sense
of the bay before the reader was made to fit it: ``component@place condition figure``, several
with ;, ``none`` where no condition is said, ``ask`` where the phrase leaves something open.
"""

import csv
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn.model.errors import UnknownName, UsageError
from roadworn.reading import JudgedFinding, read_findings, read_item
from roadworn.reading.bench import Heard, hear, hear_part
from roadworn.reading.bench_words import example_words, read_words

PHRASES = [
    (row["said"], row["means"])
    for row in csv.DictReader(
        Path(__file__).with_name("bench_phrases.csv").read_text(encoding="utf-8").splitlines()
    )
]
#: At least this share of the phrases that say enough must be understood.
SHARE = 0.95


def told(heard: Heard) -> str:
    figures = "".join(f" {m['value']:g} {m['unit']}" for m in heard.measurements)
    place = f"@{heard.position}" if heard.position else ""
    return f"{heard.component.id}{place} {heard.condition or 'none'}{figures}"


def understood(said: str) -> set[str]:
    try:
        return {told(one) for one in hear(said)}
    except UsageError:
        return {"ask"}


def test_the_phrases_of_a_bay() -> None:
    assert len(PHRASES) >= 400
    asked, wrong = [], []
    for said, means in PHRASES:
        found, meant = understood(said), set(means.split("; "))
        # A finding without a condition is asked about at every door.
        nothing = all(" none" in one for one in found)
        if found == {"ask"} or (nothing and found != meant):
            asked += [said] if meant != {"ask"} else []
        elif found != meant:
            wrong.append((said, means, sorted(found)))
    enough = sum(means != "ask" for _said, means in PHRASES)
    share = 1 - len(asked) / enough
    print(
        f"{enough} phrases that say enough: {share:.1%} understood; {len(PHRASES) - enough} asked"
    )
    assert not wrong
    assert share >= SHARE, asked


@pytest.mark.parametrize(
    ("said", "item"),
    [
        ("bat", ("electrical.battery", None)),
        ("batt", ("electrical.battery", None)),
        ("frt pads", ("brake.pad", "front")),
        ("hub RR", ("wheel.bearing", "RR")),
        ("coil 3", ("ignition.coil", "3")),
        ("L/F cv axle", ("drivetrain.cv_axle", "LF")),
        ("wheel brg RF", ("wheel.bearing", "RF")),
        ("oil chg", ("engine.oil", None)),
        ("tranny fluid", ("drivetrain.transmission_fluid", None)),
        ("diff fluid", ("drivetrain.differential", None)),
        ("headlight bulb L", ("lighting.headlamp", "L")),
        ("lower control arm L", ("suspension.control_arm", "LF-lower")),
        ("air brake hose", ("brake.hose", None)),
        ("diag", ("other.diagnosis", None)),
    ],
)
def test_a_part_in_the_words_of_a_bay(said: str, item: tuple[str, str | None]) -> None:
    found = read_item(said)
    assert (found["component"], found.get("position")) == item


@pytest.mark.parametrize(
    ("said", "condition"),
    [
        ("tie rod end L loose", "failed"),
        ("coolant low", "wearing"),
        ("brake hose LR cracked", "failed"),
        ("ball joint RF lower ok", "sound"),
    ],
)
def test_a_condition_of_the_trade_is_kept_as_a_note(said: str, condition: str) -> None:
    ((finding, _remark),) = read_findings(said)
    assert finding["condition"] == condition
    assert finding.get("note", "") == ("" if condition == "sound" else said.rsplit(maxsplit=1)[-1])


def test_a_failed_safety_part_is_marked_however_it_was_said() -> None:
    ((finding, _remark),) = read_findings("loose tie rod end L")
    assert finding["safety"]


def test_an_axle_means_both_sides_of_what_is_not_done_by_the_axle() -> None:
    assert [f["position"] for f, _r in read_findings("tires rear 5/32 ok")] == ["LR", "RR"]
    assert [f["position"] for f, _r in read_findings("rear shocks leaking")] == ["LR", "RR"]
    with pytest.raises(UsageError, match="LR or RR"):
        read_findings("rear shock leaking")
    with pytest.raises(UsageError, match=r"shock absorber LR and shock absorber RR.*by itself"):
        read_item("rear shocks")


def test_rear_brakes_are_what_the_vehicle_has_and_asked_where_nobody_said() -> None:
    with pytest.raises(UsageError, match="disc brake pads or drum brake shoes"):
        read_findings("rear brakes worn")
    drums = read_findings("rear brakes worn", has=lambda part, _end: part != "brake.pad")
    assert drums[0].finding["component"] == "brake.shoe"


def test_a_level_in_a_name_is_a_place() -> None:
    (one,) = read_findings("lower control arm LF failed")
    assert one.finding["position"] == "LF-lower"


def test_what_was_taken_for_granted_is_said() -> None:
    (one,) = read_findings("lower control arm L cracked")
    assert one.finding["position"] == "LF-lower"
    assert "write LR" in one.remark


def test_words_beside_a_figure_are_not_outvoted_by_its_limit() -> None:
    (one,) = read_findings("tire LF 8/32 bald")
    assert one.finding["condition"] == "failed"


@pytest.mark.parametrize(
    ("said", "means"),
    [
        ("frt pads 8mm, rr pads 3mm ok", ["brake.pad@front 8 mm", "brake.pad@rear 3 mm"]),
        ("LF tire worn RF tire bald", ["wheel.tire@LF wearing", "wheel.tire@RF failed"]),
        ("strut LF leaking, coil spring broke", ["suspension.strut@LF", "suspension.spring@LF"]),
        ("batt ok terminals corroded", ["electrical.battery sound", "electrical.battery_cable"]),
        ("shoes ok, drums scored rear", ["brake.shoe@rear", "brake.drum@LR", "brake.drum@RR"]),
        (
            "tires lf 4/32 rf 5/32 lr 6/32 rr 7/32",
            [f"wheel.tire@{at}" for at in ("LF", "RF", "LR", "RR")],
        ),
        ("pads frt 3 mm left", ["brake.pad@front wearing 3 mm"]),
        ("kingpin L 30 thou loose", ["steering.kingpin@L failed 0.03 in"]),
        ("oil leak valve cover", ["engine.cover_gasket failed"]),
        ("coolant good -34 F", ["cooling.coolant sound -34 °F"]),
        ("alt 14.2 ok", ["electrical.alternator sound 14.2 V"]),
    ],
)
def test_several_findings_and_figures_in_one_breath(said: str, means: list[str]) -> None:
    found = []
    for one, _remark in read_findings(said):
        figures = "".join(f" {m['value']:g} {m['unit']}" for m in one.get("measurements", ()))
        place = f"@{one['position']}" if "position" in one else ""
        found.append(f"{one['component']}{place} {one['condition']}{figures}")
    assert len(found) == len(means)
    for one, wanted in zip(found, means, strict=True):
        assert set(wanted.split()) <= set(one.split())


@pytest.mark.parametrize(
    ("said", "question"),
    [
        ("shock leaking", "Which shock absorber is left open"),
        ("brake pads 3 mm", "Which disc brake pads is left open"),
        ("brake fluid low, pads worn", "Which disc brake pads is left open"),
        ("rr pads worn", "right rear, or the rear"),
        ("RR tires bald", "right rear, or the rear"),
        ("rear brakes 4mm, drums ok", "more than one finding"),
        ("LF window cracked", "leaves open in what condition"),
    ],
)
def test_a_place_that_is_left_open_is_asked(said: str, question: str) -> None:
    with pytest.raises(UsageError, match=question):
        read_findings(said)


def test_how_many_is_kept_and_no_figure() -> None:
    (one,) = read_findings("hand brake good 5 clicks")
    assert one.finding == {
        "component": "brake.parking_brake",
        "condition": "sound",
        "note": "5 clicks",
    }


@pytest.mark.parametrize("said", ["bat xq", "diag xq"])
def test_no_far_fetched_part_is_suggested(said: str) -> None:
    with pytest.raises(UnknownName) as caught:
        read_item(said)
    assert not {"mass air flow or intake air temperature sensor", "airbag module"} & {
        *caught.value.near
    }


@pytest.mark.parametrize(
    ("said", "question"),
    [
        ("wheel bering RF bad", "id you mean wheel bearing or hub"),
        ("belt cracked", "or"),
        ("pads ok but thin front", "leaves open in what condition"),
        ("battery gizmo loose", "'gizmo' .* is not understood"),
        ("pads f 5mm r 3mm ok", "figures of several places"),
        ("pads and rotors front 3 mm worn", "names several parts"),
        ("driver rear tire worn", "changes sides with the country"),
        ("pads front 3 worn", "no unit"),
        ("strut LF leaking tie rod L loose", "more than one finding"),
        ("horn not fine", "leaves open what it is"),
        ("xyzzy worn", "No component is known"),
    ],
)
def test_what_is_left_open_is_asked(said: str, question: str) -> None:
    with pytest.raises(UsageError, match=question):
        read_findings(said)


@pytest.mark.parametrize(
    ("said", "note"),
    [
        ("pads and rotors front worn", "worn"),
        ("front pads and rotors ok", ""),
        ("shocks and struts rear leaking", "leaking"),
        ("pads & rotors front worn, deep grooves", "worn, deep grooves"),
    ],
)
def test_of_two_parts_in_a_line_neither_is_a_note_on_the_other(said: str, note: str) -> None:
    heard = hear(said)
    assert len({one.component.id for one in heard}) == 2
    assert {one.note for one in heard} == {note}


def test_a_piece_of_a_part_stays_in_the_note() -> None:
    (one,) = hear("steering rack boots torn, grease out")
    assert (one.component.id, one.note) == ("steering.rack", "boots torn, grease out")


def test_work_behind_a_part_is_what_is_left_of_it() -> None:
    component, position, rest = hear_part("frt pads, machine rotors")
    assert (component.id, position, rest) == ("brake.pad", "front", "machine rotors")


def test_the_words_of_a_shop_come_first(tmp_path: Path) -> None:
    file = tmp_path / "ours.words.toml"
    file.write_text(example_words(), encoding="utf-8")
    words = read_words(file)
    assert [told(one) for one in hear("wb DF ghosting", words)] == ["wheel.bearing@LF wearing"]
    assert [told(one) for one in hear("driver rear tire on the bump", words)] == [
        "wheel.tire@LR failed"
    ]


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("driver = 3", "driver is left or right"),
        ("[shrt]\na = 'b'", "unknown part"),
        ("[short]\na = 3", "says nothing"),
        ("[short]\na = 'other.rack'", "not in the catalogue"),
        ("[conditions]\na = 'awful'", "cannot mean"),
        ("short = 3", "is a section"),
        ("x", "no TOML"),
    ],
)
def test_a_words_file_that_does_not_fit_is_refused(tmp_path: Path, text: str, wrong: str) -> None:
    file = tmp_path / "ours.words.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=wrong):
        read_words(file)


WORDS = st.sampled_from(
    [word for said, _means in PHRASES for word in said.split()] + ["3", "-", "/", "(", "&", "é"]
)


@settings(max_examples=80)
@given(st.lists(WORDS, max_size=12).map(" ".join) | st.text(max_size=80))
def test_no_text_breaks_the_reader(text: str) -> None:
    found: list[JudgedFinding] = []
    message = ""
    try:
        found = read_findings(text)
    except UsageError as error:
        message = error.message
    assert bool(found) != bool(message)
    assert not any(ord(c) < 32 for c in message)


@pytest.mark.parametrize(
    "text",
    ["frt pads worn " * 1000, "tie rod " * 2000, "9" * 10_000, "/" * 10_000, "a/b" * 4000],
)
def test_ten_thousand_letters_are_read_or_refused_at_once(text: str) -> None:
    with pytest.raises(UsageError):
        raise UsageError(str(len(read_findings(text))))
