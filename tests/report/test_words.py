"""One file a language: complete, with the same places, and safety said in it."""

import re
from datetime import date
from string import Formatter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.catalogue import catalogue
from roadworn.trade.cautions import CLOSING, cautions_for
from roadworn_cli.report.words import LONGEST, Look, Words, languages, shown, strings

OTHERS = [code for code in languages() if code != "en"]


def places(text: str) -> set[str]:
    return {name for _text, name, _form, _conversion in Formatter().parse(text) if name}


def test_there_is_a_second_language() -> None:
    assert OTHERS


@pytest.mark.parametrize("code", OTHERS)
def test_a_translation_has_every_sentence_with_the_same_places(code: str) -> None:
    source, other = strings("en").sheet, strings(code).sheet
    assert source.keys() == other.keys()
    assert {key for key in source if places(source[key]) != places(other[key])} == set()
    assert len(strings(code).months) == 12


@pytest.mark.parametrize("code", OTHERS)
def test_a_translation_says_every_caution(code: str) -> None:
    cautions = cautions_for(part.id for part in catalogue())
    assert cautions
    missing = [text for text in (*cautions, CLOSING) if text not in strings(code).analysis]
    assert missing == []


@pytest.mark.parametrize("code", OTHERS)
def test_a_translation_names_only_parts_that_exist(code: str) -> None:
    known = {part.id for part in catalogue()}
    assert set(strings(code).components) <= known


def test_every_sentence_that_the_code_asks_for_is_there() -> None:
    from pathlib import Path

    import roadworn_cli.report as package

    folder = Path(str(package.__file__)).parent
    text = "".join(path.read_text(encoding="utf-8") for path in folder.glob("*.*"))
    asked = set(re.findall(r"words(?:\.phrase)?\(\s*['\"](\w+)['\"]", text))
    assert len(asked) > 60
    assert asked <= strings("en").sheet.keys()


def test_parts_and_states_are_told_in_the_language() -> None:
    words = Words(Look(language="es"))
    assert words.word("brake.pad") == "pastillas de freno"
    assert words.word("disc brake pads front") == "pastillas de freno delantero"
    assert words.word("SAFETY: failed") == "SEGURIDAD: averiado"
    assert words.word("bus-7") == "bus-7"


def test_what_has_no_translation_is_marked_as_english() -> None:
    sentence = "A failure that nobody recorded is not counted."
    assert Words(Look(language="es")).said(sentence).language == "en"
    assert Words(Look(language="en")).said(sentence).language == ""


def test_an_id_in_a_sentence_becomes_a_name() -> None:
    said = Words(Look()).said("wheel.tire, delivery van: half are gone; see www.example.org").text
    assert said == "tire, delivery van: half are gone; see www.example.org"


# Spanish: thousands apart by a narrow space, decimals after a comma (as in ISO 80000-1, 7.3).
@pytest.mark.parametrize(
    ("code", "text"), [("en", "1,234.5"), ("es", "1\u202f234,5")], ids=["English", "Spanish"]
)
def test_numbers_are_written_as_the_language_does(code: str, text: str) -> None:
    assert Words(Look(language=code)).plain(1234.5) == text


@pytest.mark.parametrize(
    ("order", "text"),
    [("ymd", "2026-11-02"), ("dmy", "2 Nov 2026"), ("mdy", "Nov 2, 2026")],
)
def test_a_date_cannot_be_misread(order: str, text: str) -> None:
    assert Words(Look(dates=order)).day(date(2026, 11, 2)) == text


def test_a_distance_is_told_in_the_unit_asked_for() -> None:
    # 1 mi = 1.609344 km exactly: NIST SP 811, appendix B.8.
    assert Words(Look(unit="mi")).km(160.9344) == "100 mi"
    assert Words(Look(unit="km")).km(160.9344) == "161 km"


@given(st.text())
def test_a_text_is_shown_without_anything_that_moves_the_line(text: str) -> None:
    told = shown(text)
    assert len(text) <= LONGEST or "…" in told
    assert re.search("[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", told) is None


def test_a_sentence_is_told_in_the_language_by_its_template() -> None:
    words = Words(Look(language="es", dates="dmy"))
    told = words.said(
        "Safety first: outer tie rod end L failed. Within 12 months expect about 2,431 USD of "
        "failures on car-9 (1,387 to 3,569)."
    )
    assert told.language == ""
    assert told.text == (
        "Primero la seguridad: averiado terminal exterior de dirección L. En 12 meses cuente con "
        "unos 2\u202f431 USD de fallas en car-9 (de 1\u202f387 a 3\u202f569)."
    )
    assert words.said("Service as it stands on 2026-11-20").text == "El servicio al 20 nov 2026"
    failing = words.said("By the rules of here, car-9 would fail on steering linkage, mirrors.")
    assert failing.text.endswith("no pasaría por: varillaje de dirección, espejos.")
    # A comma inside the name of a part does not part a list of names.
    unknown = words.said(
        "Parts of unknown age: door latch, lock and window regulator LF, mirror L."
    )
    assert "cerradura y elevalunas de puerta LF, espejo L." in unknown.text


def test_a_text_is_translated_whole_or_not_at_all() -> None:
    words = Words(Look(language="es"))
    known = "Fuel, insurance and upkeep by plan are not in these sums."
    assert words.said(known).language == ""
    mixed = words.said(f"{known} Nobody has a template for this one.")
    assert mixed.text == f"{known} Nobody has a template for this one."
    assert mixed.language == "en"


@pytest.mark.parametrize("code", OTHERS)
def test_a_template_keeps_every_place(code: str) -> None:
    templates = strings(code).sentences
    assert templates
    lost = {source for source, told in templates.items() if places(source) != places(told)}
    assert lost == set()


def test_what_the_sheet_says_itself_is_never_marked_as_english() -> None:
    words = Words(Look(language="es"))
    title = words("by_class")
    assert words.said(title).language == ""
    axis = f"{words.word('wheel.tire')} ({words.word('32nds')})"
    assert words.said(axis).language == ""
