"""More sets of phrases, held against the whole door of a look-over, limits included.

``blind_phrases.tsv`` and ``third_phrases.tsv`` are of hands that saw neither the reader nor another
set, ``heavy_phrases.tsv`` of a yard of trucks, ``fourth_phrases.tsv`` of a mobile mechanic. Each
says what a line must mean; what each word means is common practice, no source.
"""

import re
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

import pytest

from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UsageError
from roadworn.model.places import AXLES
from roadworn.model.units import UnitError, canonical_unit, dimension_of, exact
from roadworn.reading import read_findings
from roadworn.reading.bench import hear
from roadworn.reading.bench_phrase import split_phrase
from roadworn.reading.bench_places import tag_of
from roadworn.reading.bench_words import Words, packaged_words, read_words


def lines_of(name: str) -> list[tuple[str, str]]:
    """Return the lines of a set with what each means."""
    text = Path(__file__).with_name(name).read_text(encoding="utf-8")
    rows = [line.split("\t") for line in text.splitlines() if not line.startswith("# ")]
    return [(row[0], row[1]) for row in rows]


#: At least this share of the lines that say enough must be understood.
SHARE = 0.95
_MEANT = re.compile(r"([a-z_.]+)@([^=]+)=([a-z_?]+)(?::(\S+ [^,\s]+(?:,\S+ [^,\s]+)*))?")
_ANYWHERE = frozenset({"-", *"LR", "left", "right", "front", "rear"})
_LEVELS = frozenset({"upper", "lower", "heater", "bypass", "spare", "main", "center"})
_WHEELED = frozenset({"wheel", "tire", "axle", "axle_side", "wheel_ul"})


class Told(NamedTuple):
    """A finding, meant or found; a condition of ? is for the limit to say."""

    component: str
    place: str
    condition: str
    figures: tuple[tuple[str, str], ...] = ()
    note: str = ""


def meant_by(text: str) -> list[list[Told]]:
    """Return each reading that is right."""
    return [
        [
            Told(part, place, condition, tuple(one.split() for one in figures.split(",") if one))
            for part, place, condition, figures in _MEANT.findall(reading)
        ]
        for reading in text.split(" OR ")
    ]


def read(line: str, words: Words) -> list[Told] | None:
    """Return what the look-over makes of a line, None where it asks."""
    try:
        found = [one.finding for one in read_findings(line, words=lambda: words)]
    except UsageError:
        try:
            heard = hear(line, words)
        except UsageError:
            return None
        if any(one.condition for one in heard):
            return None
        # Only what the limits do not settle is asked.
        return [
            Told(h.component.id, h.position or "-", "?", _figures(h.measurements), h.note)
            for h in heard
        ]
    return [
        Told(
            one["component"],
            one.get("position", "-"),
            one["condition"],
            _figures(one.get("measurements", ())),
            one.get("note", ""),
        )
        for one in found
    ]


def _figures(measurements: object) -> tuple[tuple[str, str], ...]:
    assert isinstance(measurements, tuple | list)
    return tuple((f"{m['value']:g}", m["unit"]) for m in measurements)


def is_right(line: str, meant: list[Told], found: list[Told]) -> bool:
    if {one.component for one in meant} == {"other.any"}:
        found = [
            o._replace(component=re.sub(r"other\..*", "other.any", o.component)) for o in found
        ]
    parts = {one.component for one in meant}
    if parts != {one.component for one in found}:
        return False
    pairs = []
    for part in parts:
        wanted = [one for one in meant if one.component == part]
        told = [one for one in found if one.component == part]
        if any(one.place == "-" for one in wanted):
            if len({one[2:] for one in told}) > 1 or not _anywhere({o.place for o in told}, part):
                return False
            pairs.append((wanted[0], told[0]))
            continue
        # Two facts of one place stay in their order, as two tires of a dual.
        at = {}
        for one in told:
            for place in _places(one.place, part):
                at.setdefault(place, []).append(one)
        for one in wanted:
            for place in _places(one.place, part):
                if not at.get(place):
                    return False
                pairs.append((one, at[place].pop(0)))
        if any(at.values()):
            return False
    return all(_same(line, one, other) for one, other in pairs)


def _places(place: str, component: str) -> Iterator[str]:
    """Yield the wheels or sides that a place stands for under the scheme of a component."""
    scheme = catalogue().get(component).positions
    place = place.partition("-")[0] or "-"
    if scheme in _WHEELED:
        yield from AXLES.get(place, (place,))
    elif scheme in {"none", "bank"}:
        yield "-"
    elif scheme in {"side", "lamp"} and len(place) == 2:
        yield place[0] if place[0] in "LR" else place[1]
    else:
        yield {"left": "L", "right": "R", "driver": "L", "passenger": "R"}.get(place, place)


def _anywhere(places: set[str], component: str) -> bool:
    both = ({"L", "R"}, {"left", "right"}, {"LF", "RF", "LR", "RR"}, {"front", "rear"})
    return places == {"-"} or places <= _LEVELS or places in both


def _same(line: str, meant: Told, found: Told) -> bool:
    if meant.condition not in {"?", found.condition}:
        return False
    if meant.place != "-" and found.place == "-" and not found.note:
        return False  # A place that the catalogue has no room for is kept in words.
    if not meant.figures:
        return not found.figures
    if len(meant.figures) > 1:
        # What Roadworn has no unit for is in the note, "310 cca" behind "12.1 V".
        loose = [one for one in meant.figures if _is_unknown(one[1])]
        if not {value for value, _unit in loose} <= set(re.findall(r"[\d.]+", found.note)):
            return False
        meant = meant._replace(figures=tuple(one for one in meant.figures if one not in loose))
    if len(meant.figures) == len(found.figures):
        return all(map(_same_figure, meant.figures, found.figures))
    ((value, unit),) = meant.figures[:1]
    try:
        canonical_unit(unit)
    except UnitError:
        return not found.figures and value in found.note.split()
    return False


def _is_unknown(unit: str) -> bool:
    try:
        canonical_unit({"F": "°F", "thou": "in"}.get(unit, unit))
    except UnitError:
        return True
    return False


def _same_figure(meant: tuple[str, str], shown: tuple[str, str]) -> bool:
    value, unit = meant
    try:
        known = canonical_unit({"F": "°F", "thou": "in"}.get(unit, unit))
    except UnitError:
        return False
    factor = Fraction("0.001") if unit == "thou" else 1
    if dimension_of(shown[1]) != dimension_of(known):
        return False
    return exact(float(shown[0]), shown[1], known) == factor * Fraction(value)


class Judged(NamedTuple):
    """What became of the lines."""

    share: float
    asked: list[str]
    wrong: list[tuple[str, str, list[Told]]]


def judged(lines: list[tuple[str, str]], words: Words) -> Judged:
    enough, right, asked, wrong = 0, 0, [], []
    for line, means in lines:
        found = read(line, words)
        enough += means != "ASKS"
        if found is None or all(one.condition == "?" for one in found):
            settled = found and any(is_right(line, one, found) for one in meant_by(means))
            right += bool(settled)
            asked += [line] if means != "ASKS" and not settled else []
        elif means != "ASKS" and any(is_right(line, one, found) for one in meant_by(means)):
            right += 1
        else:
            wrong.append((line, means, found))
    share = right / enough
    print(
        f"{enough} lines that say enough: {share:.1%} understood, {len(asked)} asked; "
        f"{len(lines) - enough} to be asked; {len(wrong)} wrong"
    )
    return Judged(share, asked, wrong)


@pytest.fixture(scope="module")
def with_sides(tmp_path_factory: pytest.TempPathFactory) -> Words:
    """The words of a shop that has said once where its drivers sit."""
    file = tmp_path_factory.mktemp("words") / "ours.words.toml"
    file.write_text('driver = "left"', encoding="utf-8")
    return read_words(file)


def test_lines_written_without_sight_of_the_reader(with_sides: Words) -> None:
    lines = lines_of("blind_phrases.tsv")
    assert len(lines) >= 300
    # "pass rear" is asked about until the shop has said where its drivers sit: only such lines
    # can be read otherwise then, so that only they are read twice.
    words = packaged_words()
    sided = [
        line
        for line in lines
        if any(tag_of(word.key) == "country" for word in split_phrase(line[0], words).words)
    ]
    unsaid, said = judged(sided, words), judged(lines, with_sides)
    assert sided
    assert not unsaid.wrong + said.wrong
    asked = {*said.asked, *unsaid.asked}
    assert said.share >= SHARE, said.asked
    assert len(asked) <= (1 - SHARE) * sum(means != "ASKS" for _line, means in lines), asked


def test_lines_of_a_yard_of_heavy_trucks(with_sides: Words) -> None:
    lines = lines_of("heavy_phrases.tsv")
    assert len(lines) >= 60
    found = judged(lines, with_sides)
    assert not found.wrong
    assert found.share >= SHARE, found.asked


@pytest.mark.parametrize(
    ("name", "least", "share"),
    [
        ("third_phrases.tsv", 200, SHARE),
        ("fourth_phrases.tsv", 80, SHARE),
        # "nsf" of a shop whose drivers sit on the left is asked, and part of a scan as well.
        ("fifth_phrases.tsv", 200, 0.91),
        ("sixth_phrases.tsv", 200, 0.86),
        ("eighth_phrases.tsv", 200, 0.94),
        ("ninth_phrases.tsv", 200, 0.81),
        ("tenth_phrases.tsv", 330, 0.88),
        ("eleventh_phrases.tsv", 330, 0.85),
    ],
)
def test_lines_of_later_hands(name: str, least: int, share: float, with_sides: Words) -> None:
    lines = lines_of(name)
    assert len(lines) >= least
    said = judged(lines, with_sides)
    assert not said.wrong
    assert said.share >= share, said.asked


@pytest.mark.parametrize(
    ("name", "least", "share", "not_as_meant"),
    [
        ("twelfth_phrases.tsv", 200, 0.89, 0),
        ("thirteenth_phrases.tsv", 120, 0.9, 0),
        ("fourteenth_phrases.tsv", 120, 0.87, 2),
        ("fifteenth_phrases.tsv", 120, 0.89, 1),
        # One fault was mended by it since it was first seen.
        ("sixteenth_phrases.tsv", 120, 0.74, 6),
    ],
)
def test_lines_of_hands_that_the_clauses_never_saw(
    name: str, least: int, share: float, not_as_meant: int, with_sides: Words
) -> None:
    lines = lines_of(name)
    assert len(lines) >= least
    said = judged(lines, with_sides)
    # What is not as meant is counted until it is mended; it may only become less.
    assert len(said.wrong) <= not_as_meant, said.wrong
    assert said.share >= share, said.asked


@pytest.mark.parametrize("line", ["cv axle L boot torn", "lower ball joint L loose"])
def test_a_side_taken_for_that_of_the_front_is_told(line: str, with_sides: Words) -> None:
    (one,) = read_findings(line, words=lambda: with_sides)
    assert one.finding["position"].startswith("LF")
    assert "L is taken for LF: write LR" in one.remark


@pytest.mark.parametrize(
    ("line", "meant"),
    [
        # A bare figure has the unit of the next place's, and no place has that of another.
        ("front pads 8, rears 5mm", "brake.pad@front=?:8 mm | brake.pad@rear=?:5 mm"),
        ("front pads 8 rear pads 6 mm", "brake.pad@front=?:8 mm | brake.pad@rear=?:6 mm"),
        ("LF 6, RF 5/32 tires", "wheel.tire@LF=?:6 32nds | wheel.tire@RF=?:5 32nds"),
        # What there is plenty of is a part of its own; what is seen inside one is of another.
        ("drums rear ok, plenty of shoe", "brake.drum@rear=sound | brake.shoe@rear=sound"),
        ("bubbles in rad, head gasket gone", "engine.head_gasket@-=failed"),
        # Rubber that holds, and what does it now and then, serve yet.
        (
            "LF lower control arm bushing cracked but not separated",
            "suspension.control_arm@LF-lower=wearing",
        ),
        ("starter grinds sometimes", "electrical.starter@-=wearing"),
        # How far something leaks is not how many leak.
        ("rr shock leaking oil all over", "suspension.shock@RR=failed"),
        # No place of a seal or of another system is taken over.
        (
            "rear main wet, sway bar links good",
            "engine.crank_seal@rear=wearing | suspension.stabilizer_link@-=sound",
        ),
    ],
)
def test_what_a_blind_hand_lost_in_silence(line: str, meant: str, with_sides: Words) -> None:
    found = read(line, with_sides)
    assert found is not None
    assert is_right(line, meant_by(meant)[0], found), found


@pytest.mark.parametrize(
    "line",
    [
        # How far it goes is a figure to be judged, whatever it holds; a denial must deny something.
        *("e brake comes up 11 clicks but holds on the hill", "1 stud snapped not lf"),
        *("isnt slack adjuster RF travel 1-1/2 inches, all right", "idler arm loose up/dn caliper"),
    ],
)
def test_what_a_clause_would_lose_is_asked(line: str, with_sides: Words) -> None:
    found = read(line, with_sides)
    assert found is None or all(one.condition == "?" for one in found), found


@pytest.mark.parametrize(
    "line",
    [
        # A pressure is no sensor of it, a word of a part's name no part, a decimal no cylinder.
        *("oil press 8 psi hot idle", "running not charging", "plugs gap .062 worn"),
        # The side of the kerb is said by who drives on the left.
        *("nsf drop link knocking", "o/s/r tyre bald", "LF bearing maybe bad"),
        *("wheel bearing suspect LF", "rocker rusted out"),
        *("rf no lf pad 3mm", "one of the rear brake chambers is leaking"),
        "rr in pad 3mm out pad 6",
        *("drips oil", "oil drips", "brake fluid weeping", "aceite gotea", "coolant spitting"),
        *("horn isnt sound", "horn never sound", "brake hose not very sound", "horn no failed"),
        *("LF tire hardly sound", "LF tire not exactly good", "no brake hose leak"),
        # Some of several: which ones is not said.
        *("2 of 4 tires bald", "rear tires 1 of 2 bald", "rear tires 1 out of 2 bald"),
        # What moves a blade is another part than the blade.
        *("wipers dont work", "wiper inop", "wipers dead", "wipers wont move"),
        *("effective brake hose", "fan no good", "shoe spring LR broke"),
    ],
)
def test_what_leaves_open_how_or_where_is_asked(line: str, with_sides: Words) -> None:
    found = read(line, with_sides)
    assert found is None or all(one.condition == "?" for one in found)


@pytest.mark.parametrize(
    ("line", "meant"),
    [
        ("horn no sound", "electrical.horn@-=failed"),
        ("horn no leaks, sound", "electrical.horn@-=sound"),
        ("crank sensor intermitent", "engine.crank_sensor@-=wearing"),
        ("starter wont engage", "electrical.starter@-=failed"),
        ("starter not engagin", "electrical.starter@-=failed"),
        ("fan clutch no spin", "cooling.fan@-=failed"),
        ("shoes rear 1/16 lining left", "brake.shoe@rear=sound:1/16 in"),
        ("timing chain rattles 2 sec cold", "engine.timing_chain@-=wearing"),
        ("lf tire cupped inside", "wheel.tire@LF=wearing"),
        ("frt snsr lf abs chafd bad", "brake.wheel_speed_sensor@LF=failed"),
        ("rr axle shaft seal leaking", "drivetrain.axle_seal@RR=failed"),
        ("curbside rear tire bald", "wheel.tire@RR=failed"),
        ("inner tierod pass ok", "steering.tie_rod_inner@R=sound"),
        ("air compressor slow from 85 to 100 psi", "brake.air_compressor@-=wearing"),
        ("fuel filter dated 2019 plugged", "fuel.filter@-=failed"),
        ("glow plugs 2 out of 6 dead", "ignition.glow_plug@-=failed"),
    ],
)
def test_ways_to_say_that_a_part_does_not_work(line: str, meant: str, with_sides: Words) -> None:
    found = read(line, with_sides)
    assert found is not None
    assert is_right(line, meant_by(meant)[0], found), found


@pytest.mark.parametrize(
    ("line", "meant"),
    [
        # A clause with a part begins a finding; one without says more of the part before it.
        (
            "v/c gskt seeping rt bank, battry failed load test 9.1 volts",
            "engine.cover_gasket@-=wearing | electrical.battery@-=failed:9.1 V",
        ),
        ("horn ok, glass cracked", "electrical.horn@-=sound | body.windshield@-=failed"),
        (
            "right brake light dead, left burning",
            "lighting.tail_stop_lamp@R=failed | lighting.tail_stop_lamp@L=sound",
        ),
        ("top hose soft, bottom one new", "cooling.hose@upper=wearing | cooling.hose@lower=sound"),
        ("tires front 5/32 rear 8/32", "wheel.tire@front=?:5 32nds | wheel.tire@rear=?:8 32nds"),
        # What is told before the part, and of what only shows that it is bad, is its note.
        ("hard pedal, booster hisses under the dash", "brake.booster@-=failed"),
        ("clock spring open, horn cuts out too", "restraint.clock_spring@-=failed"),
        # A small piece that broke leaves the part serving where that is said.
        ("pass tie rod end boot split, joint still snug", "steering.tie_rod_outer@R=wearing"),
        # A bare figure at each place has the usual unit, and the rest of a set is the others.
        ("pads f 7 r 5", "brake.pad@front=?:7 mm | brake.pad@rear=?:5 mm"),
        # What was measured at both axles gives its last place to no part behind it.
        (
            "pads front 4mm rear 6mm, rotors ok",
            "brake.pad@front=?:4 mm | brake.pad@rear=?:6 mm | brake.rotor@-=sound",
        ),
        ("LF lower control arm bushing tore right thru", "suspension.control_arm@LF-lower=failed"),
        # Silence is what a horn must not do, and "can" is no chamber.
        ("low air buzzer silent down to 40 psi", "brake.low_air_warning@-=failed:40 psi"),
        ("lf hub hums at 40, no play that i can feel", "wheel.bearing@LF=wearing"),
    ],
)
def test_a_line_is_read_clause_by_clause(line: str, meant: str, with_sides: Words) -> None:
    found = read(line, with_sides)
    assert found is not None
    assert is_right(line, meant_by(meant)[0], found), found


@pytest.mark.parametrize(
    "line",
    [
        # Two parts of which one place or one sign could be taken for the other's.
        *("rr turn sig out, front flex pipe leaking", "rad ok, hoses bad"),
        *("left light leaks, right one doesnt", "never intercooler hose split"),
        # Alone, these leave open what of it.
        *("ac no cold", "coolant smell, no leak found yet", "mount gone", "DPF light on"),
        *("fluid on floor, red", "horn barely sounds ok"),
        # A word of no list leads a clause, a fluid is told of by itself, shoes are soiled.
        *(
            "hub seal LR leaks; awning dead",
            "trans slips fluid pink",
            "hub seal 2L wet oil on shoes",
        ),
    ],
)
def test_what_clauses_leave_open_is_asked(line: str, with_sides: Words) -> None:
    found = read(line, with_sides)
    assert found is None or all(one.condition == "?" for one in found), found
