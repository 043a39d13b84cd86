"""Checks a data file: it can be read, and all of it is read by something.

What nobody reads is no fault when a shop uses the file, and a slip of whoever wrote it: a sentence
under a code that nothing says stays English for ever, without a word.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from roadworn.analysis.brought import DataFile
from roadworn.analysis.host import PluginHost
from roadworn.intake import job_words
from roadworn.model.catalogue import catalogue
from roadworn.model.kinds import EventKind
from roadworn.model.messages import templates
from roadworn.model.toml import read_toml
from roadworn.reading.bench_words import packaged_words, plain_key
from roadworn.say import SOURCE, language_of, packaged_languages, places_of, strings
from roadworn.trade import limits, read_like


def check_data_file(file: DataFile, kinds: Sequence[EventKind] = ()) -> None:
    """Check that a data file is read as the packaged ones of its kind are, and all of it.

    Told as well is what nothing would ever read: a sentence of a language under a code that
    nothing says or with a place that it has not, a component that is not in the catalogue, a word
    of the bench that stands for one that nobody knows, an item of a sheet or schedule that another
    one hides.

    Args:
        file: the file.
        kinds: of the plugin, where a language says their sentences and it is not installed.

    Raises:
        AssertionError: with one sentence that says what does not hold.
    """
    # What reads a file is imported first: sheets, words with the reader of jobs, languages by the
    # host, rule sets and schedules with the analyses that use them.
    host = PluginHost.load()
    host.languages()
    if not host.analyses():
        raise AssertionError("No analysis is installed.")
    called = f"The {file.what} {file.name!r}"
    try:
        text = file.read()
        found = read_like(file.what, file.name, text)
    except Exception as error:
        raise AssertionError(f"{called} cannot be read: {error}") from error
    if file.what == "language":
        unread = _of_language(text, [*host.kinds(), *kinds])
    else:
        unread = _UNREAD.get(file.what, _nothing)(text, found)
    said = "; ".join(unread)
    if said:
        raise AssertionError(f"{called}: something in it would never be read: {said}.")


def _nothing(_text: str, _found: object) -> Iterator[str]:
    yield from ()


def _of_language(text: str, kinds: Sequence[EventKind]) -> Iterator[str]:
    spoken = language_of(text)
    if spoken.locale.casefold() == SOURCE:
        yield "English is what the code says, so a language file says another locale"
    known = {**_packaged_codes(), **templates()}
    known |= {kind.name: kind.sentence for kind in kinds if kind.sentence}
    for code, given in spoken.sentences.items():
        if code.startswith("code."):
            continue
        if code not in known:
            yield f"nothing says the sentence {code!r}"
        elif (english := known[code]) is not None:
            forms = {"": given} if isinstance(given, str) else given
            places = {one for key, form in forms.items() if key != "by" for one in places_of(form)}
            if more := sorted(places - places_of(english)):
                yield f"the sentence {code!r} has {{{more[0]}}}, which {english!r} has not"
    shipped = [strings(one) for one in packaged_languages()]
    for table, holds in (
        ("components", {part.id for part in catalogue()}),
        ("places", {key for one in shipped for key in one.places}),
        ("report", {key for one in shipped for key in one.report}),
        ("page", {key for one in shipped for key in one.page}),
    ):
        for key in getattr(spoken, table):
            if key not in holds:
                yield f"[{table}] {key!r} is asked by nobody"


def _packaged_codes() -> dict[str, str | None]:
    """Return the codes that the languages which ship say; their English stands in the code."""
    return {code: None for one in packaged_languages() for code in strings(one).sentences}


def _of_sheet(_text: str, found: Any) -> Iterator[str]:  # noqa: ANN401
    seen: dict[object, str] = {}
    for item in found.items:
        if not item.measurement:
            continue
        # A figure is judged by all the items that it fits, and two of one limit are one.
        key = replace(
            item, **dict.fromkeys(("name", "area", "note", "citation", "mark", "sure"), "")
        )
        first = seen.setdefault(key, item.name)
        if first != item.name:
            yield f"the item {item.name!r} measures and asks what the item {first!r} does"


def _of_schedule(_text: str, found: Any) -> Iterator[str]:  # noqa: ANN401
    seen = set()
    for one in found.services:
        key = (
            one.component, one.action, one.fuel, one.vehicle_class, one.duty, one.run_by,
        )  # fmt: skip
        if key in seen:
            yield f"a second item for {one.component} {one.action}, of which the first one holds"
        seen.add(key)


def _of_words(text: str, _found: object) -> Iterator[str]:
    given: Mapping[str, Any] = read_toml(text).get("short", {})
    known = {
        word
        for part in catalogue()
        for name in (part.name, *part.synonyms)
        for word in plain_key(name).split()
    }
    words = packaged_words()
    known |= {one for key in words.known for one in key.split()}
    known |= {one for key in words.short for one in key}
    for short, means in given.items():
        odd = [word for word in plain_key(means).split() if word not in known and len(word) > 1]
        if odd:
            yield f"{short!r} stands for {means!r}, and no part, place or state has {odd[0]!r}"


_UNREAD: Final[Mapping[str, Callable[[str, Any], Iterator[str]]]] = {
    "look-over sheet": _of_sheet,
    "schedule": _of_schedule,
    "words": _of_words,
}
#: Imported for what they say of how files are read.
_READERS: Final = (limits, job_words)
