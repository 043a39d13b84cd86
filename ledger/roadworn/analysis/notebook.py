"""Roadworn in a notebook: a ledger opened once, its tables as relations, its analyses as functions.

A relation is DuckDB's own: it is computed when it is looked at, and becomes a frame by ``.df()``,
``.pl()`` or ``.arrow()``. Everything is asked on the connection that cannot write, so a notebook
changes no ledger, and everything speaks of one root, which `Book.origin` tells.
"""

import inspect
from collections.abc import Callable, Iterator, Mapping
from datetime import date
from html import escape
from importlib.metadata import entry_points
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from roadworn.analysis import Analysis, Chart, Estimate, Ran, Settings, Table
from roadworn.analysis.host import TIME_LIMIT, PluginHost
from roadworn.columns.spec import NOTHING_OUTSIDE, Outside, TableInfo
from roadworn.columns.view import KnownBy, LedgerView, dictionary, open_view
from roadworn.model.errors import UnknownName, UsageError

if TYPE_CHECKING:
    import duckdb
    import pandas as pd
    import polars as pl
    import pyarrow as pa

#: Who draws an answer as a page, where the reports are installed.
_PAGES = "roadworn.pages"
_HEIGHT = 560


def open(  # noqa: A001  # it is called `roadworn.open`
    ledger: str | Path,
    *,
    at: str | int | None = None,
    as_of: str | date | None = None,
    known_by: KnownBy = "recorded",
    files: Mapping[str, str | Path] | None = None,
    host: PluginHost | None = None,
) -> "Book":
    """Open a ledger for a notebook or a script; `roadworn.open`.

    >>> book = roadworn.open("shop.db", as_of="2026-06-30")     # doctest: +SKIP
    >>> book.part_lives.filter("failed").df()                   # doctest: +SKIP
    >>> book.analyses.part_lifespans(component="brake.pad")     # doctest: +SKIP

    Args:
        ledger: the ledger file.
        at: as it stood at this number of events, or at this root; None for all of it.
        as_of: as of the end of this day, or None.
        known_by: what `as_of` goes by, as for `open_view`.
        files: table name -> a CSV, Parquet or JSON file of one's own to ask beside the tables.
        host: the plugins, when they are loaded already.

    Raises:
        UsageError: a day is no date, the ledger was never at `at`, or a file cannot be read.
        NotALedger, LedgerDamaged, EnvironmentFailure: the ledger cannot be read.
    """
    host = host or PluginHost.load()
    own = {name: Path(file) for name, file in (files or {}).items()}
    view = open_view(
        ledger,
        as_of=as_of,
        known_by=known_by,
        at=at,
        kinds=host.kinds,
        tables=host.tables,
        keep=host.keep_by(),
        outside=Outside(own) if own else NOTHING_OUTSIDE,
    )
    return Book(view, host, tuple(own))


class Book:
    """An open ledger: `book.part_lives` is a table, `book.analyses.next_repairs()` an answer.

    Attributes:
        view: the read-only view that everything is asked of.
        host: the plugins.
        analyses: each analysis as a function with its settings.
    """

    def __init__(self, view: LedgerView, host: PluginHost, own: tuple[str, ...] = ()) -> None:
        self.view = view
        self.host = host
        self.analyses = Questions(self)
        self._tables = {info.name: info for info in dictionary(host.tables())}
        self._own = own

    @property
    def origin(self) -> dict[str, Any]:
        """What every figure rests on: root and size, as-of, known-by, today."""
        return self.view.origin()

    @property
    def tables(self) -> dict[str, TableInfo]:
        """The tables and views by name, with the meaning of every column."""
        return dict(self._tables)

    def sql(self, query: str, /, **parameters: object) -> "duckdb.DuckDBPyRelation":
        """Return one SELECT as a relation; `parameters` are what ``$name`` stands for.

        Raises:
            QueryError: it is no single SELECT, or cannot be run.
        """
        with self.view.asking_for(query) as reader:
            # A relation that failed when it was looked at has ended the transaction.
            reader.again()
            found = (
                reader.con.sql(query, params=parameters) if parameters else reader.con.sql(query)
            )
        if found is None:
            raise UsageError("That gives no rows: ask a SELECT.")
        return found

    def table(self, name: str) -> "duckdb.DuckDBPyRelation":
        """Return a table, a view, or a file of one's own as a relation.

        Raises:
            UnknownName: there is none of that name; carries the nearest.
        """
        if name not in self._tables and name not in self._own:
            known = [*self._tables, *self._own]
            raise UnknownName.of(f"table {name!r}", name, known, "see `book.tables`.")
        return self.sql(f'SELECT * FROM "{name}"')

    def __getattr__(self, name: str) -> "duckdb.DuckDBPyRelation":
        if name.startswith("_"):
            raise AttributeError(name)
        try:
            return self.table(name)
        except UnknownName as error:
            raise AttributeError(error.message) from None

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self._tables, *self._own]

    def close(self) -> None:
        """Close the view; what was made of a relation stays, a relation itself does not."""
        self.view.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        origin = self.origin
        ledger = origin["ledger"]
        day = f"as of {origin['as_of']}" if origin["as_of"] else f"today {origin['today']}"
        return f"<{self.view.path} at {ledger['size']:,} events, root {ledger['root'][:16]}, {day}>"


class Questions:
    """The analyses of a book as functions: ``-`` in a name is ``_``."""

    def __init__(self, book: Book) -> None:
        self._book = book

    def __dir__(self) -> list[str]:
        return [name.replace("-", "_") for name in self._book.host.names()]

    def __iter__(self) -> Iterator[str]:
        return iter(self._book.host.names())

    def __getattr__(self, name: str) -> "Callable[..., Answer]":
        if name.startswith("_"):
            raise AttributeError(name)
        try:
            _plugin, analysis = self._book.host.analysis(name.replace("_", "-"))
        except UnknownName as error:
            raise AttributeError(error.message) from None
        return _asking(self._book, analysis)


def _asking(book: Book, analysis: Analysis) -> "Callable[..., Answer]":
    """Return a function of an analysis, with its settings as its typed keywords."""

    def ask(
        settings: Settings | None = None, /, time_limit: float = TIME_LIMIT, **given: object
    ) -> Answer:
        if settings is not None and not isinstance(settings, (Settings, Mapping)):
            raise UsageError(
                f"The settings of {analysis.name} are given by name, as in "
                f"{ask.__name__}({next(iter(fields), 'name')}={settings!r})."
            )
        chosen = settings if settings is not None else given
        return Answer(book, book.host.run(analysis.name, book.view, chosen, time_limit))

    fields = analysis.settings.model_fields
    ask.__name__ = ask.__qualname__ = analysis.name.replace("-", "_")
    told = [f"{name}: {field.description or ''}" for name, field in fields.items()]
    ask.__doc__ = "\n\n".join([analysis.question, analysis.about.strip(), "\n".join(told)])
    ask.__signature__ = inspect.Signature(  # type: ignore[attr-defined]  # what help() reads
        [
            inspect.Parameter(
                name,
                inspect.Parameter.KEYWORD_ONLY,
                default=field.get_default(call_default_factory=True),
                annotation=field.annotation,
            )
            for name, field in fields.items()
        ],
        return_annotation=Answer,
    )
    return ask


class Answer:
    """What an analysis says: headline, tables as frames, estimates, charts, caveats.

    In a notebook it is drawn as the page that `roadworn analyse NAME --format html` writes.

    Attributes:
        ran: the result with the analysis, its plugin and its settings.
    """

    def __init__(self, book: Book, ran: Ran) -> None:
        self._book = book
        self.ran = ran

    @property
    def headline(self) -> str:
        """The answer in one sentence."""
        return str(self.ran.result.headline)

    @property
    def tables(self) -> dict[str, Table]:
        """The tables by name."""
        return {table.name: table for table in self.ran.result.tables}

    @property
    def estimates(self) -> tuple[Estimate, ...]:
        """The estimates, each with its limits and counts."""
        return tuple(self.ran.result.estimates)

    @property
    def charts(self) -> dict[str, Chart]:
        """The charts by name, as data."""
        return {chart.name: chart for chart in self.ran.result.charts}

    @property
    def caveats(self) -> list[str]:
        """The reservations about the figures."""
        return [str(caveat) for caveat in self.ran.result.caveats]

    @property
    def origin(self) -> dict[str, Any]:
        """What the figures rest on, the settings included."""
        settings = self.ran.settings.model_dump(mode="json")
        return {**self._book.origin, "analysis": self.ran.analysis.name, "settings": settings}

    def table(self, name: str = "") -> Table:
        """Return a table; the main one without a name.

        Raises:
            UnknownName: there is none of that name; carries the nearest.
        """
        found = self.tables
        own = self.ran.analysis.name.replace("-", "_")
        name = name or (own if own in found else next(iter(found), ""))
        if name not in found:
            raise UnknownName.of(f"table {name!r} here", name, found, f"it has {', '.join(found)}.")
        return found[name]

    def df(self, name: str = "") -> "pd.DataFrame":
        """Return a table as a pandas frame; the main one without a name."""
        import pandas as pd

        table = self.table(name)
        return pd.DataFrame(list(table.rows), columns=[column.name for column in table.columns])

    def pl(self, name: str = "") -> "pl.DataFrame":
        """Return a table as a polars frame; the main one without a name."""
        import polars as pl

        return pl.DataFrame(self._columns(name), strict=False)

    def arrow(self, name: str = "") -> "pa.Table":
        """Return a table as an Arrow table; the main one without a name."""
        import pyarrow as pa

        return pa.table(self._columns(name))

    def _columns(self, name: str) -> dict[str, list[Any]]:
        table = self.table(name)
        return {
            column.name: [row[at] for row in table.rows] for at, column in enumerate(table.columns)
        }

    def __repr__(self) -> str:
        return self.headline

    def _repr_html_(self) -> str:
        """Return the answer as notebooks show it."""
        drawer = next(iter(entry_points(group=_PAGES, name="answer")), None)
        if drawer is None:
            return f"<p>{escape(self.headline)}</p>"
        page = drawer.load()(self.ran, self._book.view)
        frame = "width:100%;border:0"
        return f'<iframe style="{frame};height:{_HEIGHT}px" srcdoc="{escape(page)}"></iframe>'
