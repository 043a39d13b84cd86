"""`sql` and `tables`: the read model for who asks by hand."""

import re
import sys
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from shutil import copyfileobj
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated, Any, Literal, cast

import typer

from roadworn.model.errors import EnvironmentFailure, LedgerRefused, UnknownName, UsageError
from roadworn_cli.context import State, leave, state_of, text_of
from roadworn_cli.output import (
    apart,
    cell_text,
    check_format,
    counted,
    emit,
    emit_json,
    escape,
    escape_json,
    format_option,
    json_text,
    say,
)
from roadworn_cli.results import pinned, pinned_in_words

if TYPE_CHECKING:
    from roadworn.columns.spec import Outside
    from roadworn.columns.view import LedgerView, Rows, TableInfo


def tables(
    ctx: typer.Context,
    name: Annotated[
        str, typer.Argument(metavar="[TABLE]", help="One of them, with all its columns.")
    ] = "",
    fmt: str = format_option(),
) -> None:
    """List the tables and views of the read model, or the columns of one of them."""
    check_format(fmt)
    known = _tables(state_of(ctx))
    if not name and fmt == "table":
        rows = [(info.name, info.kind, len(info.columns), info.comment) for info in known.values()]
        emit(("name", "kind", "columns", "one row is"), rows, fmt=fmt)
        return
    if name and name.casefold() not in known:
        see, left_out = "see `roadworn tables`.", state_of(ctx).plugins().left_out()
        raise UnknownName.of(f"table {name!r}", name, known, see, left_out)
    emit(
        ("table", "kind", "column", "type", "meaning"),
        [
            (info.name, info.kind, *column)
            for info in ([known[name.casefold()]] if name else known.values())
            for column in info.columns
        ],
        fmt=fmt,
    )


def _tables(state: State) -> "dict[str, TableInfo]":
    from roadworn.columns.view import dictionary

    return {info.name: info for info in dictionary(state.plugins().tables())}


# DuckDB's suggestion is among its own catalogues, of which nobody here has heard.
_NO_TABLE = re.compile(r"Table with name (\S+) does not exist")


#: Forms that DuckDB writes by itself.
_WRITTEN = ("csv", "json", "ndjson", "parquet")
#: Ending of a file -> its form.
_ENDINGS = {
    **{f".{form}": form for form in _WRITTEN},
    ".jsonl": "ndjson",
    ".md": "markdown",
}
_FILES = (*_WRITTEN, "markdown", "result")
_FORMATS = ("table", *_FILES)
_PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Asked:
    """A query with everything it was asked with.

    Attributes:
        query: one SELECT.
        parameters: its values by name.
        seconds: the most it may take.
        memory: the most that it may take of memory, in MB.
    """

    query: str
    parameters: Mapping[str, str]
    seconds: float
    memory: float


def sql(
    ctx: typer.Context,
    query: Annotated[
        str,
        typer.Argument(
            metavar="[QUERY]",
            help="One SELECT; - reads it from standard input. Without one a prompt asks.",
        ),
    ] = "",
    file: Annotated[
        str, typer.Option("--file", metavar="FILE", help="The query stands in this file.")
    ] = "",
    given: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="NAME=VALUE",
            help="What $NAME in the query stands for, as text: CAST($NAME AS DOUBLE) reckons; "
            "repeatable.",
        ),
    ] = None,
    beside: Annotated[
        list[str] | None,
        typer.Option(
            "--with",
            metavar="NAME=FILE",
            help="Your own CSV, Parquet or JSON, or a folder of Parquet, as the table NAME; "
            "repeatable.",
        ),
    ] = None,
    into: Annotated[
        str,
        typer.Option(
            "--output", "-o", metavar="FILE", help="Write a new file; its ending says the form."
        ),
    ] = "",
    seconds: Annotated[
        float,
        typer.Option(
            envvar="ROADWORN_SQL_SECONDS",
            min=0,
            metavar="SECONDS",
            help="Stop it after so long; 0 for no bound.",
        ),
    ] = 300,
    memory: Annotated[
        float,
        typer.Option(
            envvar="ROADWORN_SQL_MEMORY",
            min=0,
            metavar="MB",
            help="Stop it when it takes more; 0 for no bound.",
        ),
    ] = 2_048,
    fmt: Annotated[
        str,
        typer.Option("--format", metavar="|".join(_FORMATS), help="Form of the data on stdout."),
    ] = "",
) -> None:
    """Query the tables that `roadworn tables` explains; nothing can be changed or read beside.

    Values come in by name: `… WHERE vehicle_id = $v` with `--set v=bus-7`.

    `--format result` keeps the query, its rows and what they rest on, for `roadworn redo`.
    """
    form = _form(fmt, into)
    files = _pairs(beside or [], "--with", "mine=prices.csv")
    parameters = _pairs(given or [], "--set", "vehicle=bus-7")
    state = state_of(ctx)
    text = _text(query, file)
    if not text:
        from roadworn_cli.prompt import prompt

        prompt(state, _outside(files, None), _tables(state), seconds, memory)
        return
    asked = Asked(text, parameters, seconds, memory)
    # An explanation is no table, so its few rows are printed here.
    if form in _WRITTEN and text.split(maxsplit=1)[0].casefold() != "explain":
        _write(state, asked, files, form, into)
        return
    with state.open_view(outside=_outside(files, None)) as view:
        found = answer(state, view, asked)
        document = document_of(view, text, parameters, found) if form == "result" else {}
        origin = view.origin()
    if into:
        with _made_new(Path(into)) as making:
            kept = json_text(document) if document else _markdown(found)
            making.write_text(f"{kept}\n", encoding="utf-8")
        say(f"{counted(len(found.rows), 'row')} written to {into}, " + pinned_in_words(origin))
        return
    if document:
        emit_json(document)
        return
    if form == "markdown":
        typer.echo(_markdown(found))
    else:
        emit(found.columns, found.rows, fmt="table" if form == "table" else form)
    say(pinned_in_words(origin))


def answer(state: State, view: "LedgerView", asked: Asked) -> "Rows":
    """Return the rows of a query; leaves with a sentence when it is stopped by hand."""
    with _plainly(state):
        return view.analyst(asked.query, asked.seconds, asked.memory, asked.parameters)


def document_of(
    view: "LedgerView", query: str, parameters: Mapping[str, str], found: "Rows | None" = None
) -> dict[str, Any]:
    """Return a query with its rows and what they rest on, as JSON has them."""
    import orjson

    rows = found if found is not None else view.analyst(query, parameters=parameters)
    document = {
        **pinned(view.origin()),
        "query": query,
        "parameters": dict(parameters),
        "columns": apart(rows.columns),
        "rows": rows.rows,
    }
    return dict(orjson.loads(json_text(document)))


def _write(state: State, asked: Asked, files: Mapping[str, str], form: str, into: str) -> None:
    """Have the answer written by the database, to a file or by way of one to stdout."""
    from roadworn.columns.export import write_answer

    with ExitStack() as stack:
        if into:
            making = stack.enter_context(_made_new(Path(into)))
        elif form == "parquet" and sys.stdout.isatty():
            raise UsageError("Parquet is nothing to look at: name a file with -o FILE.parquet.")
        else:
            making = Path(stack.enter_context(TemporaryDirectory(prefix="roadworn-"))) / "answer"
        view = stack.enter_context(state.open_view(outside=_outside(files, making.parent)))
        origin = view.origin()
        with _plainly(state):
            rows = write_answer(
                view,
                asked.query,
                making,
                cast("Literal['csv', 'json', 'ndjson', 'parquet']", form),
                parameters=asked.parameters,
                seconds=asked.seconds,
                megabytes=asked.memory,
                said={**pinned(origin), "query": asked.query, "parameters": dict(asked.parameters)},
            )
        if not into:
            _print(making, form)
    say((f"{counted(rows, 'row')} written to {into}, " if into else "") + pinned_in_words(origin))


def _print(file: Path, form: str) -> None:
    """Copy what was written to stdout, piece by piece; nothing in it fools a terminal."""
    if form == "parquet":
        with file.open("rb") as source:
            copyfileobj(source, sys.stdout.buffer)
        return
    keep = "\n\t" if form != "csv" else "" if sys.stdout.isatty() else "\n\r\t"
    with file.open(encoding="utf-8", newline="") as source:
        while piece := source.read(_PIECE):
            if form == "csv":
                lines = piece.split("\n") if not keep else [piece]
                typer.echo("\n".join(escape(line, keep) for line in lines), nl=False)
            else:
                typer.echo(escape_json(piece, keep), nl=False)


@contextmanager
def _made_new(target: Path) -> Iterator[Path]:
    from roadworn.store.whole import made_whole

    if target.exists():
        raise LedgerRefused(f"{target} exists already: name a new file, nothing is overwritten.")
    try:
        with made_whole(target, new=True) as making:
            yield making
    except OSError as error:
        raise EnvironmentFailure(
            f"{target} cannot be written ({error.strerror}): choose another place."
        ) from error


@contextmanager
def _plainly(state: State) -> Iterator[None]:
    """Say in a sentence that a query was stopped by hand, or which table was meant."""
    try:
        yield
    except KeyboardInterrupt:
        say("The query was stopped; nothing was changed.")
        leave(130)
    except UsageError as error:
        missing = _NO_TABLE.search(str(error.__cause__))
        if missing is None:
            raise
        name, known = missing[1], _tables(state)
        see, left_out = "`roadworn tables` lists them.", state.plugins().left_out()
        raise UnknownName.of(f"table {name!r}", name, known, see, left_out) from None


def _text(query: str, file: str) -> str:
    """Return the query that was given in one of three ways; empty for none.

    Raises:
        UsageError: it was given twice, or is empty.
        EnvironmentFailure: the file cannot be read.
    """
    if file and query:
        raise UsageError("The query is given twice: leave out --file, or the words.")
    if not (file or query):
        if sys.stdin.isatty() and sys.stdout.isatty():
            return ""
        raise UsageError("The query is missing: write one as 'SELECT * FROM vehicles'.")
    text = text_of(file or "-") if file or query == "-" else query
    if not text.strip():
        raise UsageError("The query is empty", "write one as 'SELECT * FROM vehicles'")
    return text


def _form(fmt: str, into: str) -> str:
    """Return the form to write: the one named, or that of a file's ending."""
    ending = _ENDINGS.get(Path(into).suffix.lower(), "")
    form = fmt or ending or ("table" if not into else "")
    if into and not form:
        raise UsageError(
            f"The ending of {into} says no form",
            f"end it in {', '.join(_ENDINGS)}, or name a form by --format",
        )
    if form not in (_FILES if into else _FORMATS):
        known = ", ".join(_FILES if into else _FORMATS)
        raise UsageError(
            f"--format is one of {known}{' for a file' if into else ''}, not {form!r}."
        )
    return form


def _pairs(texts: list[str], option: str, example: str) -> dict[str, str]:
    """Return NAME=VALUE texts as a dictionary."""
    found: dict[str, str] = {}
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign or not name.strip():
            raise UsageError(f"{option} takes NAME=VALUE, as in {example}, not {text!r}.")
        found[name.strip()] = value
    return found


def _outside(files: Mapping[str, str], into: Path | None) -> "Outside":
    from roadworn.columns.spec import Outside

    return Outside({name: Path(file) for name, file in files.items()}, into)


def _markdown(found: "Rows") -> str:
    """Return rows as a table in Markdown (that of GitHub), a bar in a cell escaped."""
    lines = [list(found.columns), ["---"] * len(found.columns)]
    lines += [[cell_text(value) for value in row] for row in found.rows]
    return "\n".join(
        f"| {' | '.join(escape(cell).replace('|', chr(92) + '|') for cell in line)} |"
        for line in lines
    )
