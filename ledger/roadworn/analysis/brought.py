"""What plugins bring besides analyses, kinds and tables: descriptors, each for one door.

A descriptor says what something is called and which function does it. The function is called
late, by the host, within bounds; a module that is heavy is imported inside it.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

from roadworn.analysis import Settings
from roadworn.columns.kept import Codec, nothing

if TYPE_CHECKING:
    from pathlib import Path

    from roadworn.columns.view import LedgerView
    from roadworn.model.events import NewEvent

#: What a data file may be; each has a reader of its own, which the kit and `plugins --check` use.
DATA_FILES: Final = ("look-over sheet", "rule set", "schedule", "words", "language")


@dataclass(frozen=True, slots=True)
class DataFile:
    """A file of figures or words that stands beside those that ship.

    A look-over sheet, a rule set of an official inspection, a schedule or words of the bench is
    used where it is named. A language is there by itself: the `locale` in the file says which, a
    new one or one to add to.

    Attributes:
        name: what a setting, ``--sheet`` or ROADWORN_WORDS calls it: ``inspection_hill_country``.
        what: which of `DATA_FILES` it is.
        title: whose it is, in words.
        read: returns its TOML.
    """

    name: str
    what: Literal["look-over sheet", "rule set", "schedule", "words", "language"]
    title: str
    read: Callable[[], str]


@dataclass(frozen=True, slots=True)
class Panel:
    """An analysis whose answer stands on a report, under a heading of its own.

    Attributes:
        name: ``prefix-word``.
        analysis: name of the analysis, usually of the same plugin.
        on: which reports it stands on. For ``vehicle`` the analysis has a setting `vehicle`.
        heading: what stands above it; empty takes the title of the analysis.
        rows: so many rows of a table stand open, the rest behind them; 0 for all.
        only_full: it stands on the full report alone.
    """

    name: str
    analysis: str
    on: tuple[Literal["vehicle", "fleet"], ...] = ("vehicle",)
    heading: str = ""
    rows: int = 0
    only_full: bool = False


@dataclass(frozen=True, slots=True)
class Importer:
    """Reads files of another form into events; dry run, checks and no doubles are the host's.

    Attributes:
        name: what ``import --with`` calls it.
        title: what it reads, in words.
        read: yields the events of a file, each with an `intake_key` where the file has a number of
            its own for it, so that a row that is exported again is known again. In the place of an
            event it may yield a draft, a mapping of the fields of a line of NDJSON: what is wrong
            with that is told as of any file, with the number of its row: its ``row``, where the
            draft has one, else which of those yielded it is.
    """

    name: str
    title: str
    read: "Callable[[Path], Iterable[NewEvent | Mapping[str, Any]]]"


@dataclass(frozen=True, slots=True)
class Decoder:
    """Says what a text of the trade means; it sees no ledger.

    Attributes:
        name: what ``decode`` calls it.
        title: one line of help.
        decode: returns names and values, or `Decoded`; a ValueError says in a sentence what cannot
            be decoded.
        text: what is typed, in words, for its help.
    """

    name: str
    title: str
    decode: "Callable[[str], Mapping[str, Any] | Decoded]"
    text: str = ""


@dataclass(frozen=True, slots=True)
class Decoded:
    """What a text means, where names and values do not say all of it.

    Attributes:
        values: names and values; several where the text had several, told apart by their first.
        notes: sentences beside them, for a person.
        wrong: something is wrong with what was decoded, though it could be; the exit code is 1.
    """

    values: Mapping[str, Any] | Sequence[Mapping[str, Any]]
    notes: Sequence[str] = ()
    wrong: bool = False


@dataclass(frozen=True, slots=True)
class Command:
    """A verb under the word of its plugin: ``roadworn myshop NAME SETTING=VALUE``.

    Attributes:
        name: the verb.
        title: one line of help.
        run: function from a view and the settings to a Result, or to a text.
        settings: model of the settings, each with a default.
    """

    name: str
    title: str
    run: "Callable[[LedgerView, Any], object]"
    settings: type[Settings] = Settings


@dataclass(slots=True)
class Job:
    """What a run may ask of its host; an analysis with a third parameter is handed one.

    Attributes:
        tell: called with (done, of all) by `progress`.
    """

    view: "LedgerView"
    asked: tuple[Any, ...] = ()
    tell: Callable[[int, int], object] | None = None
    _held: dict[str, Any] = field(default_factory=dict)

    def progress(self, done: int, of_all: int = 0) -> None:
        """Say how far the run is."""
        if self.tell is not None:
            self.tell(done, of_all)

    def cached(self, key: str, make: Callable[[], Any]) -> Any:  # noqa: ANN401
        """Return what `make` gives, kept for this state of the ledger and these settings.

        Args:
            key: tells it from others of this analysis.
            make: makes it: plain values, lists, tuples and mappings of them.
        """
        if key in self._held:
            return self._held[key]
        question = ["job", *self.asked, key]
        found = self.view.answered(question, _PLAIN)
        if found is nothing:
            found = self.view.keep(question, make(), _PLAIN)
        self._held[key] = found
        return found


_PLAIN: Final = Codec()
