"""The catalogue: the vocabulary is sound, and no name is guessed in silence.

Which word means which part is common practice, no source.
"""

import csv
import subprocess
import sys
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.catalogue import ID_PATTERN, Catalogue, catalogue
from roadworn.model.errors import UnknownName
from roadworn.model.payloads import ItemRef
from roadworn.model.places import normalise_position

CATALOGUE = catalogue()
BRAKES = ["brake.pad", "brake.rotor", "brake.shoe", "brake.drum", "brake.hose", "brake.line"]


def test_every_id_is_one_that_events_accept():
    for component in CATALOGUE:
        assert ItemRef(component=component.id).component == component.id
        assert component.system == component.id.partition(".")[0]
        assert component in list(CATALOGUE)
        assert component.id in CATALOGUE


def test_ranges_run_upwards_and_families_are_codes():
    for component in CATALOGUE:
        for bounds in (component.life_miles, component.labour_hours):
            assert bounds is None or 0 < bounds[0] <= bounds[1]
        for family in component.dtc_families:
            first, _, last = family.partition("-")
            assert int(first[1:], 16) <= int((last or first)[1:], 16)
            assert first[0] in "PCBU"
            assert not last or last[0] == first[0]


def test_safety_flags_of_what_stops_steers_and_restrains():
    # Common practice, no source: all of these systems are safety critical.
    for component in CATALOGUE:
        if component.system in {"brake", "steering", "restraint", "wheel", "ev"}:
            assert component.safety_critical, component.id


def test_every_name_and_synonym_finds_its_own_part_or_is_ambiguous():
    for component in CATALOGUE:
        for word in (component.id, component.name, *component.synonyms):
            found = CATALOGUE.resolve(word)
            if found.component is None:
                assert component in found.suggestions, word
            else:
                assert (found.component.id, found.exact) == (component.id, True), word


@pytest.mark.parametrize(
    ("text", "identifier"),
    [
        ("Brake-Pads", "brake.pad"),
        ("brake pad", "brake.pad"),
        ("BRAKE.PAD", "brake.pad"),
        ("tyres", "wheel.tire"),
        ("windscreen", "body.windshield"),
        ("headlights", "lighting.headlamp"),
        ("disk", "brake.rotor"),
        ("rotor", "brake.rotor"),
        ("O2 sensors", "emission.oxygen_sensor"),
        ("air fuel ratio sensor", "emission.oxygen_sensor"),
        ("AC compressor", "hvac.compressor"),
        ("A/C compressor", "hvac.compressor"),
        ("battery", "electrical.battery"),
        ("driveshaft", "drivetrain.driveshaft"),
        ("u joint", "drivetrain.u_joint"),
    ],
)
def test_spellings_of_one_name(text, identifier):
    found = CATALOGUE.resolve(text)
    assert found.component is not None
    assert (found.component.id, found.exact) == (identifier, True)


@pytest.mark.parametrize(
    ("text", "identifier"),
    [
        ("brake pds", "brake.pad"),
        ("wheel bearng", "wheel.bearing"),
        ("alternatr", "electrical.alternator"),
        ("catalytic convertor", "emission.catalyst"),
        ("thermosatt", "cooling.thermostat"),
    ],
)
def test_a_typing_mistake_without_rivals_is_taken_but_not_called_exact(text, identifier):
    found = CATALOGUE.resolve(text)
    assert found.component is not None
    assert found.component.id == identifier
    assert not found.exact


@pytest.mark.parametrize("text", ["belt", "coil", "motor", "gearbox", "axle", "brake hoe", "plugs"])
def test_a_word_for_several_parts_is_left_to_the_user(text):
    found = CATALOGUE.resolve(text)
    assert found.component is None
    assert len(found.suggestions) >= 2


@pytest.mark.parametrize(
    "text", ["sensor", "cap", "fluid", "mount", "cooling", "line", "hoze", "x"]
)
def test_a_lone_generic_word_names_nothing(text):
    assert CATALOGUE.resolve(text).component is None


@pytest.mark.parametrize("text", ["", "   ", "---", "\x00", "a" * 10_000_000, "<script>", "'; --"])
def test_odd_text_is_unknown(text):
    found = CATALOGUE.resolve(text)
    assert found.component is None
    assert not found.exact


def test_other_is_kept_only_when_the_user_says_so():
    assert CATALOGUE.resolve("other.roof_rack").component is None
    kept = CATALOGUE.resolve("other.roof_rack", allow_other=True).component
    assert kept is not None
    assert kept.id == "other.roof_rack"
    assert "other.roof_rack" not in CATALOGUE
    assert CATALOGUE.get("other.roof_rack") == kept
    assert CATALOGUE.resolve("other.Ice Maker!", allow_other=True).component is None


def test_unknown_id_names_the_near_ones():
    with pytest.raises(UnknownName) as caught:
        CATALOGUE.get("brake.pads_front")
    assert "brake.pad" in caught.value.near


@pytest.mark.parametrize(
    ("text", "identifier", "position", "rest"),
    [
        ("brake pads LF 3 mm wearing", "brake.pad", "LF", "3 mm wearing"),
        ("front brake pads 3mm", "brake.pad", "front", "3mm"),
        ("brake pads 3 mm", "brake.pad", None, "3 mm"),
        ("brake.pad rear axle 5 mm", "brake.pad", "rear", "5 mm"),
        ("tire 2R-inner 4/32 in", "wheel.tire", "2R-inner", "4/32 in"),
        ("LF tyre 4/32", "wheel.tire", "LF", "4/32"),
        ("O2 sensor B1S2 failed", "emission.oxygen_sensor", "B1S2", "failed"),
        ("O2 sensor bank 1 sensor 2 lazy", "emission.oxygen_sensor", "B1S2", "lazy"),
        ("ignition coil 3 failed", "ignition.coil", "3", "failed"),
        ("ignition coil cyl 3", "ignition.coil", "3", ""),
        ("spark plug 3 mm", "ignition.spark_plug", None, "3 mm"),
        ("ball joint lower left front loose", "suspension.ball_joint", "LF-lower", "loose"),
        ("coolant hose upper leaking", "cooling.hose", "upper", "leaking"),
        ("left front wheel bearing noisy", "wheel.bearing", "LF", "noisy"),
        ("axle 2 left slack adjuster 1.5 in", "brake.slack_adjuster", "2L", "1.5 in"),
        ("front pipe leaking", "emission.exhaust_pipe", None, "leaking"),
        ("battery 12.4 V", "electrical.battery", None, "12.4 V"),
        ("brake pds RF 2 mm", "brake.pad", "RF", "2 mm"),
    ],
)
def test_bench_phrases(text, identifier, position, rest):
    found = CATALOGUE.resolve_phrase(text)
    assert found.component is not None
    assert (found.component.id, found.position, found.rest) == (identifier, position, rest)


def test_an_unknown_phrase_comes_back_whole_with_suggestions():
    found = CATALOGUE.resolve_phrase("frnt pads 3 mm")
    assert (found.component, found.position, found.rest) == (None, None, "frnt pads 3 mm")
    assert "brake.pad" in {c.id for c in found.suggestions}


@given(st.sampled_from(BRAKES), st.sampled_from(["LF", "RF", "LR", "RR"]), st.integers(1, 40))
def test_a_phrase_built_from_ids_is_read_back(identifier, wheel, figure):
    component = CATALOGUE.get(identifier)
    place = wheel if component.positions != "none" else ""
    found = CATALOGUE.resolve_phrase(f"{identifier} {place} {figure} mm")
    assert found.component == component
    assert found.position == (normalise_position(wheel, component.positions) if place else None)
    assert found.rest == f"{figure} mm"


@given(st.text(max_size=60))
def test_any_text_gives_a_phrase(text):
    found = CATALOGUE.resolve_phrase(text)
    assert found.component is None or found.component.id in CATALOGUE


def test_every_row_of_the_vocabulary_is_well_formed():
    text = files("roadworn.model.catalogue").joinpath("components.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    assert len({row["id"] for row in rows}) == len(rows) == len(CATALOGUE)
    for row in rows:
        assert ID_PATTERN.fullmatch(row["id"]), row
        assert not row["id"].startswith("other."), row
        assert row["name"], row
        assert row["safety_critical"] in {"yes", "no"}, row
        assert None not in row.values(), row
        for column in ("life_miles", "labour_hours"):
            low, high = row[f"{column}_low"], row[f"{column}_high"]
            assert bool(low) == bool(high), row
            assert not low or 0 <= float(low) <= float(high) < float("inf"), row


def test_an_empty_catalogue_knows_nothing():
    assert Catalogue([]).resolve("brake pads").component is None


def test_exact_names_need_no_heavy_import():
    code = (
        "import sys; from roadworn.model.catalogue import catalogue;"
        "catalogue().resolve('brake pads');"
        "print([m for m in ('rapidfuzz', 'numpy', 'duckdb', 'pydantic') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    # errors and problems are plain; a heavy module here would slow down every record.
    assert done.stdout.strip() == "[]"
