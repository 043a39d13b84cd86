"""One file a language: complete, with the same places, and every text said from what it is."""

import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from string import Formatter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.catalogue import catalogue, part_name
from roadworn.model.messages import Joined, PartName, Sentence
from roadworn.say import Said, Speaker, languages, strings
from roadworn.trade.cautions import CLOSING, cautions_for
from roadworn_cli.words import LONGEST, Look, Words, shown

OTHERS = [code for code in languages() if code != "en"]
SPANISH = Speaker("es", "dmy")


def places(text: str) -> set[str]:
    return {name for _text, name, _form, _conversion in Formatter().parse(text) if name}


def test_there_is_a_second_language() -> None:
    assert OTHERS


@pytest.mark.parametrize("code", OTHERS)
def test_a_translation_has_every_sentence_of_the_report_with_the_same_places(code: str) -> None:
    source, other = strings("en").report, strings(code).report
    assert source.keys() == other.keys()
    assert {key for key in source if places(source[key]) != places(other[key])} == set()


@pytest.mark.parametrize("code", OTHERS)
def test_a_translation_says_every_caution(code: str) -> None:
    cautions = cautions_for(part.id for part in catalogue())
    assert cautions
    missing = [text for text in (*cautions, CLOSING) if text not in strings(code).texts]
    assert missing == []


@pytest.mark.parametrize("code", OTHERS)
def test_a_translation_names_every_part(code: str) -> None:
    assert set(strings(code).components) == {part.id for part in catalogue()}


def test_every_sentence_that_the_code_asks_for_is_there() -> None:
    import roadworn_cli.report as package

    folder = Path(str(package.__file__)).parent
    text = "".join(path.read_text(encoding="utf-8") for path in folder.glob("*.*"))
    asked = set(re.findall(r"words\(\s*['\"](\w+)['\"]", text))
    assert len(asked) > 60
    assert asked <= strings("en").report.keys()


def test_parts_and_states_are_told_in_the_language() -> None:
    words = Words(Look(language="es"))
    assert words.word("brake.pad") == "pastillas de freno"
    assert words.word("SAFETY: failed") == "SEGURIDAD: averiado"
    assert words.word("bus-7") == "bus-7"


# Left and right as seen from the driver's seat; bank 1 holds cylinder 1, sensor 1 is nearest
# the engine: see roadworn.model.places.
@pytest.mark.parametrize(
    ("component", "position", "told"),
    [
        ("brake.pad", "front", "pastillas de freno adelante"),
        ("brake.pad", "2", "pastillas de freno eje 2"),
        ("steering.tie_rod_outer", "L", "terminal exterior de dirección izq."),
        ("wheel.tire", "2R-inner", "llanta eje 2 der. interior"),
        ("wheel.tire", "LR", "llanta atrás izq."),
        ("ignition.coil", "3", "bobina de encendido cilindro 3"),
        ("emission.oxygen_sensor", "B1S2", "sensor de oxígeno banco 1 sensor 2"),
        ("suspension.ball_joint", "LF-lower", "rótula adelante izq. abajo"),
        (
            "engine.cam_sensor",
            "1-intake",
            "sensor de posición del árbol de levas banco 1 de admisión",
        ),
        ("cooling.hose", "upper", "manguera de refrigerante arriba"),
    ],
)
def test_a_place_is_told_with_its_part(component: str, position: str, told: str) -> None:
    assert SPANISH.say(part_name(component, position)) == told
    assert Speaker().say(part_name(component, position)) == part_name(component, position)


def test_a_part_that_goes_by_its_id_in_data_is_called_by_its_name() -> None:
    group = Joined((PartName("wheel.tire", "wheel.tire"), "delivery van"))
    assert group == "wheel.tire, delivery van"
    assert Speaker().say(group) == "tire, delivery van"


def test_what_has_no_translation_is_marked_as_english_and_nothing_else_is() -> None:
    words = Words(Look(language="es"))
    note = "squeals when cold"
    assert words.said(note).pieces == ((note, "en"),)
    mixed = words.joined((part_name("brake.pad", "front"), note), "; ")
    assert mixed.pieces == (("pastillas de freno adelante; ", ""), (note, "en"))
    assert mixed == f"pastillas de freno adelante; {note}"
    # A name or a code is of no language: success criterion 3.1.2 of WCAG 2.2.
    assert words.word("LS-WBEA-77").pieces == (("LS-WBEA-77", ""),)
    assert Words(Look()).said(note).pieces == ((note, ""),)


# Spanish: thousands apart by a narrow space, decimals after a comma (as in ISO 80000-1, 7.3).
@pytest.mark.parametrize(
    ("code", "text"), [("en", "1,234.5"), ("es", "1\u202f234,5")], ids=["English", "Spanish"]
)
def test_numbers_are_written_as_the_language_does(code: str, text: str) -> None:
    assert Words(Look(language=code)).plain(1234.5) == text


@pytest.mark.parametrize(
    ("language", "order", "text"),
    [
        ("en", "ymd", "2026-11-02"),
        ("en", "dmy", "2 Nov 2026"),
        ("en", "mdy", "Nov 2, 2026"),
        ("es", "dmy", "2 nov 2026"),
    ],
)
def test_a_date_cannot_be_misread(language: str, order: str, text: str) -> None:
    assert Words(Look(language=language, dates=order)).day(date(2026, 11, 2)) == text


def test_a_distance_is_told_in_the_unit_asked_for() -> None:
    # 1 mi = 1.609344 km exactly: NIST SP 811, appendix B.8.
    assert Words(Look(unit="mi")).km(160.9344) == "100 mi"
    assert Words(Look(unit="km")).km(160.9344) == "161 km"


@given(st.text())
def test_a_text_is_shown_without_anything_that_moves_the_line(text: str) -> None:
    told = shown(text)
    assert len(text) <= LONGEST or "…" in told
    assert re.search("[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", told) is None


def test_a_sentence_is_said_again_from_its_code_and_what_it_is_made_of(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    given = {
        "expect-cost": "En {months:g} meses, unos {value:,.0f} {unit} de fallas en {name}.",
        "open-since": "{what}: pendiente desde el {day}",
        "items-open": {"by": "n", "one": "{n} pendiente.", "other": "{n} pendientes."},
    }
    monkeypatch.setattr(SPANISH, "strings", replace(SPANISH.strings, sentences=given))
    cost = Sentence(
        "expect-cost",
        "Within {months:g} months expect about {value:,.0f} {unit} of failures on {name}.",
        months=12.0, value=2431.2, unit="USD", name="car-9",
    )  # fmt: skip
    assert cost == "Within 12 months expect about 2,431 USD of failures on car-9."
    told = "En 12 meses, unos 2\u202f431 USD de fallas en car-9."
    assert SPANISH.say(cost).pieces == ((told, ""),)
    since = Sentence(
        "open-since", "{what}: open since {day}",
        what=part_name("steering.tie_rod_outer", "L"), day=date(2026, 11, 2),
    )  # fmt: skip
    assert SPANISH.say(since) == (
        "terminal exterior de dirección izq.: pendiente desde el 2 nov 2026"
    )
    # Plural rules of the Unicode CLDR for Spanish: one is 1 and nothing else.
    for n, words in ((1, "1 pendiente."), (0, "0 pendientes."), (2, "2 pendientes")):
        assert SPANISH.say(Sentence("items-open", "{n} open.", n=n)).startswith(words)
    unknown = Sentence("nobody-knows", "{n} of {what}", n=2, what="a note")
    assert SPANISH.say(unknown).pieces == (("2 of a note", "en"),)


def test_what_the_report_says_itself_is_never_marked_as_english() -> None:
    words = Words(Look(language="es"))
    assert words.said(words("by_class")).pieces == ((strings("es").report["by_class"], ""),)
    axis = words("in_unit", title=words.word("wheel.tire"), unit="32nds")
    assert axis.pieces == (("llanta (32.ᵒˢ de pulgada)", ""),)


@given(st.lists(st.text(max_size=5), max_size=6))
def test_pieces_are_the_text(texts: list[str]) -> None:
    said = SPANISH.say(Joined(texts, "; "))
    assert "".join(text for text, _language in said.pieces) == said
    assert all(text for text, _language in said.pieces)
    assert Said.of(said.pieces) == said
