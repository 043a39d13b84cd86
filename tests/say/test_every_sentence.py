"""Every sentence of the bundled analyses is said in every other language, with all its figures."""

import importlib
import pkgutil
import sys
from collections.abc import Iterator, Mapping

import pytest

import roadworn_plugins
from roadworn.model.messages import Says
from roadworn.say import SOURCE, languages, places_of, strings


def said() -> Iterator[tuple[str, str]]:
    """Yield code and English template of every sentence."""
    for module in pkgutil.walk_packages(roadworn_plugins.__path__, "roadworn_plugins."):
        importlib.import_module(module.name)
    tables = {
        id(value): value
        for name, module in list(sys.modules.items())
        if name.startswith("roadworn_plugins.")
        for value in vars(module).values()
        if isinstance(value, Says)
    }
    for table in tables.values():
        for word, template in table.templates.items():
            yield f"{table.analysis}.{word}", template


SAID = dict(said())


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
