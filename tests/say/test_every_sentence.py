"""Every sentence of the bundled analyses is said in every other language, with all its figures."""

import importlib
import pkgutil
import re
import sys
from collections.abc import Mapping

import pytest

import roadworn_plugins
from roadworn.analysis import day, outlook
from roadworn.model.catalogue import catalogue
from roadworn.model.messages import Says, Sentence
from roadworn.say import SOURCE, Speaker, languages, places_of, strings
from roadworn.trade.cautions import brief_cautions_for, cautions_for
from roadworn_cli import day_lists as today
from roadworn_cli import first_words, history, results
from roadworn_cli.page import words as page


def tables() -> list[Says]:
    """Return the sentences of every analysis, of the outlook, of the day and of the page."""
    for module in pkgutil.walk_packages(roadworn_plugins.__path__, "roadworn_plugins."):
        importlib.import_module(module.name)
    found = {
        id(value): value
        for name, module in list(sys.modules.items())
        if name.startswith("roadworn_plugins.")
        or module in (outlook, day, today, page, first_words, history, results)
        for value in vars(module).values()
        if isinstance(value, Says)
    }
    return list(found.values())


SAID = {f"{t.analysis}.{word}": text for t in tables() for word, text in t.templates.items()}
#: What is counted, in English and in Spanish, as the sentences have it: the words of two forms,
#: and what a number may stand before.
COUNTED = re.compile(
    r"(?<![\d.,])(?P<number>[012]) (?:(?:more|its|own|like|past|failed|fitted|earlier|other|"
    r"official|permanent|más|sus) )*(?P<word>[a-záéíóúñ]+)"
)
_FORMS = {
    match["one"]: match["several"]
    for text in (*SAID.values(), *map(str, strings("es").sentences.values()))
    for match in re.finditer(r"\{\w+:(?P<one>\w+)\|(?P<several>\w+s)\}", text)
}
#: Places that hold a name or words, never a number.
_WORDS = {"inspection", "vehicle", "part", "component", "spared"}


def numbers(template: str, count: int) -> dict[str, object]:
    """Return a number for each place, a whole one where the template writes it so."""
    broken = re.findall(r"\{(\w+):(?:,\.0f|[^}|]*(?:%|\.[1-9]f|\.[1-9]g))", template)
    return {
        name: "it" if name in _WORDS else 2.5 if name in {*broken} - {"months"} else count
        for name in places_of(template)
    }


def faults(told: str) -> list[str]:
    """Return what is said in the singular of several, or in the plural of one."""
    return [
        found[0]
        for found in COUNTED.finditer(told)
        if found["word"] in (_FORMS.values() if found["number"] == "1" else _FORMS.keys())
    ]


@pytest.mark.parametrize("count", [0, 1, 2])
def test_one_and_several_are_told_rightly(count: int) -> None:
    assert {"vehicle", "part", "case", "vez", "pieza"} <= _FORMS.keys()
    wrong = {}
    for table in tables():
        for word, template in table.templates.items():
            # Words of two sentences choose by their count which of the two they are.
            if word.endswith("-one") or f"{word}-one" in table.templates:
                continue
            sentence = table(word, **numbers(template, count))
            wrong[sentence.code] = faults(sentence)
    for language in sorted({*languages()} - {SOURCE}):
        for code, entry in strings(language).sentences.items():
            if "-one" in code:
                continue
            given = numbers(forms(entry)[0], count)
            told = Speaker(language).say(Sentence(code, "", **given))
            wrong[f"{language} {code}"] = faults(told) if isinstance(entry, str) else []
    assert {code: found for code, found in wrong.items() if found} == {}


def test_a_word_goes_with_its_number_in_every_language() -> None:
    template = "{n} {n:vehicle|vehicles}, {m:,d} {m:job|jobs}"
    assert Sentence("x", template, n=1, m=1200) == "1 vehicle, 1,200 jobs"
    assert Sentence("x", template, n=0, m=1) == "0 vehicles, 1 job"
    said = Sentence("prices.all", "{number} {number:replacement|replacements}", number=1)
    assert Speaker("es").say(said).startswith("1 sustitución ")


def forms(entry: str | Mapping[str, str]) -> list[str]:
    """Return the general form of an entry first, and then its other plurals."""
    if isinstance(entry, str):
        return [entry]
    return [entry["other"], *(form for key, form in entry.items() if key not in ("by", "other"))]


def test_there_is_much_to_say() -> None:
    assert len(SAID) > 250
    assert len({code.split(".")[0] for code in SAID}) >= 10


@pytest.mark.parametrize("language", sorted({*languages()} - {SOURCE}))
def test_each_sentence_is_there_with_all_its_places(language: str) -> None:
    entries = strings(language).sentences
    assert sorted(SAID.keys() - entries.keys()) == []
    for code, template in SAID.items():
        general, *others = forms(entries[code])
        assert places_of(general) == places_of(template), code
        # "One" may stand as a word in the place of its figure.
        assert all(places_of(form) <= places_of(template) for form in others), code


@pytest.mark.parametrize("language", sorted({*languages()} - {SOURCE}))
def test_each_caution_is_there_in_full_and_in_a_few_words(language: str) -> None:
    components = [part.id for part in catalogue()]
    cautions = {*cautions_for(components), *brief_cautions_for(components)}
    assert len(cautions) > 20
    assert sorted(cautions - strings(language).texts.keys()) == []
