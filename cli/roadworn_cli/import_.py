"""`roadworn import FILE...`: take in events from NDJSON, CSV, TSV and spreadsheets."""

import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn_cli.context import leave, state_of, today
from roadworn_cli.output import check_format, counted, emit, format_option, note, progress, say

if TYPE_CHECKING:
    from roadworn.intake import Ledger
    from roadworn.intake.doubts import Cause, DoubtGroup
    from roadworn.intake.files import ImportReport
    from roadworn_cli.brought import ReadFile

#: So many problems are printed, all of them in a dry run and with --format csv or json.
_SHOWN = 50
#: Up to so many doubts of one sort are printed each; --format csv or json has all of them.
_EACH = 5
#: So many rows of one cause are named besides the first.
_PLACES = 6
_NDJSON = frozenset({".ndjson", ".jsonl", ".json"})


def import_(
    ctx: typer.Context,
    files: Annotated[
        list[str],
        typer.Argument(metavar="FILE...", help="NDJSON; a table or a workbook with a map."),
    ],
    csv_map: Annotated[
        str,
        typer.Option("--map", metavar="MAP.toml", help="What the columns of a table mean."),
    ] = "",
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show every problem, and write nothing.")
    ] = False,
    keep_good: Annotated[
        bool, typer.Option("--keep-good", help="Take the good rows of a file with problems.")
    ] = False,
    allow_repeat: Annotated[
        bool,
        typer.Option(
            "--allow-repeat", help="Take replacements that look like one already entered."
        ),
    ] = False,
    with_importer: Annotated[
        str,
        typer.Option(
            "--with", metavar="IMPORTER", help="Read the files with an importer of a plugin."
        ),
    ] = "",
    set_back: Annotated[
        bool,
        typer.Option(
            "--set-back",
            help="All work is on record from a vehicle's first row on, also before its enrolment.",
        ),
    ] = False,
    look: Annotated[
        bool,
        typer.Option("--look", help="Look at tables, and write their maps: what is open is asked."),
    ] = False,
    fmt: str = format_option(),
) -> None:
    """Take in events from files; a file is taken whole or not at all, and twice adds nothing.

    What is wrong is a problem and stops the file; what is only odd is a doubt, said and kept.

    An event in a file .ndjson, one a line; `roadworn export ndjson DIR` writes more of them:

    \b
    {"vehicle_id":"bus-7","kind":"maintenance","occurred_at":"2026-05-04",
     "odometer":61250,"odometer_unit":"mi","payload":{"component":"engine.oil"}}

    A map for a table; --look writes it, docs/import.md has all that it can say:

    \b
    kind = "maintenance"
    [columns]
    "Day" = "occurred_at"
    "Bus" = "vehicle_id"
    "Work" = "component"
    """  # noqa: D301  # typer wants the backspace itself before lines it is not to wrap
    check_format(fmt)
    from roadworn.intake.files import import_files

    paths = [Path(name) for name in files]
    _check_there(paths)
    read = _read_with(ctx, with_importer, csv_map, paths)
    paths = [one.path for one in read] or paths
    called = dict(zip(paths, files, strict=True))
    tables = [path for path in paths if path.suffix.casefold() not in _NDJSON]
    if look:
        _look(ctx, paths, tables, csv_map)
        return
    if tables and not csv_map:
        raise UsageError(
            f"{tables[0]} is a table: say what its columns mean with --map MAP.toml, which "
            f"`roadworn import --look {tables[0].name}` writes, or give "
            "events as NDJSON, one JSON object a line, in a file named .ndjson; a look-over that "
            "was filled in is taken by `roadworn record inspection VEHICLE --filled FILE`."
        )
    map_path = Path(csv_map) if csv_map else None
    with state_of(ctx).open_ledger(writable=not dry_run, plugin_kinds=True) as ledger:
        report = import_files(
            ledger,
            paths,
            csv_map=map_path,
            dry_run=dry_run,
            keep_good=keep_good,
            allow_repeat=allow_repeat,
            progress=progress("importing"),
            called=called,
        )
        report = _placed(report, files, read)
        if not dry_run and (set_back or any(_is_early(group) for group in report.doubts)):
            _set_back(ledger, agreed=set_back)
    # What was asked for is not advised once more.
    report = replace(
        report, doubts=tuple(one for one in report.doubts if not (set_back and _is_early(one)))
    )
    if map_path is not None:
        _tell_unmapped(tables, map_path)
    if fmt == "table":
        _tell(report, all_of_them=dry_run)
    else:
        _emit(report, fmt)
    done = "would be added" if dry_run else "added"
    summary = (
        f"{counted(report.rows, 'row')}: {report.added:,} {done}, {report.already_there:,} there "
        f"already, {_problems(report)}"
    )
    if report.replaced:
        taken = "would be" if dry_run else "were"
        summary += (
            f", {counted(report.replaced, 'event')} of the same rows {taken} taken back first, "
            "since the map reads them otherwise now"
        )
    if report.by_hand:
        summary += (
            f", {counted(report.by_hand, 'row')} left as put right by hand: what they gave was "
            "corrected or retracted since"
        )
    doubts = sum(group.rows for group in report.doubts)
    if doubts:
        summary += f", {counted(doubts, 'doubt')}"
    if fmt == "table":
        typer.echo(summary)
    else:
        say(summary)
    if report.problems:
        if not keep_good:
            say(_instead(report, dry_run=dry_run))
        leave(1)


def _look(ctx: typer.Context, paths: list[Path], tables: list[Path], csv_map: str) -> None:
    """Look at tables instead of taking them in."""
    from roadworn_cli.look import look_at

    if len(tables) < len(paths):
        raise UsageError("--look is for tables: a file of events needs no map.")
    look_at(state_of(ctx), tables, csv_map)


def _read_with(
    ctx: typer.Context, importer: str, csv_map: str, paths: list[Path]
) -> "list[ReadFile]":
    """Return what an importer of a plugin makes of files; nothing where none is asked for.

    Raises:
        UsageError: a map is given too.
    """
    if not importer:
        return []
    if csv_map:
        raise UsageError("--map says what a table means and --with reads it: give one of them.")
    from roadworn_cli.brought import as_ndjson

    folder = ctx.with_resource(tempfile.TemporaryDirectory(prefix="roadworn-"))
    return as_ndjson(state_of(ctx).plugins(), importer, paths, Path(folder))


def _placed(report: "ImportReport", files: list[str], read: "list[ReadFile]") -> "ImportReport":
    """Return a report with its findings where they stand in the files that were given."""
    if not read:
        return report
    from roadworn_cli.brought import at_their_rows

    rows = zip(files, (one.rows for one in read), strict=True)
    return at_their_rows(report, dict(rows))


def _instead(report: "ImportReport", *, dry_run: bool) -> str:
    """Return what can be done about a file with problems, and what its good rows would come to."""
    good = f"its {counted(report.good, 'good row')}" if report.good else "its good rows"
    if dry_run:
        return f"With --keep-good {counted(report.good, 'row')} would be added."
    return (
        "Nothing of a file with problems was taken: correct it and import it again, or "
        f"take {good} with --keep-good."
    )


def _is_early(group: "DoubtGroup") -> bool:
    return group.kept[0].code == "before-watched"


def _set_back(ledger: "Ledger", *, agreed: bool) -> None:
    """Say what lies before its vehicle came under observation; set that back on a yes.

    An event of its own for each vehicle says since when all work on it is on record.
    """
    early = ledger.facts.before_watched()
    if not early:
        return
    rows, first = sum(number for *_, number in early), min(day for _, day, _ in early)
    told = (
        f"{counted(rows, 'row')} of {counted(len(early), 'vehicle')} lie before the vehicle came "
        f"under observation, the first on {first}: what was replaced before counts in no life."
    )
    if not agreed and sys.stdin.isatty() and sys.stderr.isatty():
        say(told)
        question = "Is all work on each of them on record from its first row on?"
        agreed = typer.confirm(question, default=False, err=True)
        told = ""
    if not agreed:
        note(
            f"{told} If all work is on record from a vehicle's first row on, import again with "
            "--set-back; for one vehicle: roadworn record profile VEHICLE --records-since DATE."
        )
        return
    from roadworn.model.events import NewEvent

    ledger.append_many(
        NewEvent(
            vehicle_id=vehicle,
            kind="profile_change",
            occurred_at=today().isoformat(),
            payload={"records_since": day},
        )
        for vehicle, day, _number in early
    )
    say(
        f"{counted(len(early), 'vehicle')} under observation from the first row on now, the "
        f"earliest from {first}."
    )


def _emit(report: "ImportReport", fmt: str) -> None:
    """Print problems and doubts as data; `weight` tells them apart, `rows` counts their like."""
    columns = ("file", "row", "column", "code", "message", "hint")
    found = [("problem", one, cause.rows) for cause in report.causes for one in cause.kept]
    found += [("doubt", one, group.rows) for group in report.doubts for one in group.kept]
    rows = [
        [*(problem.as_json()[name] for name in columns), weight, number]
        for weight, problem, number in found
    ]
    emit((*columns, "weight", "rows"), rows, fmt=fmt)


def _problems(report: "ImportReport") -> str:
    """Return how many problems there are, and of how many causes where that is fewer."""
    told = counted(report.wrong, "problem")
    fewer = len(report.causes) < report.wrong
    return f"{told} of {counted(len(report.causes), 'cause')}" if fewer else told


def _tell(report: "ImportReport", *, all_of_them: bool) -> None:
    """Say problems, then doubts, for a person."""
    shown = report.causes if all_of_them else report.causes[:_SHOWN]
    for cause in shown:
        _tell_cause(cause)
    if len(report.causes) > len(shown):
        left = sum(cause.rows for cause in report.causes[len(shown) :])
        say(f"… and {left:,} more: --dry-run shows all of them.")
    for group in report.doubts:
        _tell_doubts(group)


def _tell_cause(cause: "Cause") -> None:
    """Say what is wrong once, with the first places of it."""
    first, *others = cause.kept
    if cause.values > 1:
        _tell_unenrolled(cause)
        return
    if not others:
        say(str(first))
        return
    listed = ", ".join(str(one.row) for one in others[:_PLACES])
    more = ", …" if cause.rows > _PLACES + 1 else ""
    alike = "others of the sort" if cause.others else "the same"
    say(f"{first} In {counted(cause.rows - 1, 'more row')} {alike}: {listed}{more}.")


def _tell_unenrolled(cause: "Cause") -> None:
    """Say which vehicles are not enrolled, where each stands first, and how to enrol them all."""
    first = cause.kept[0]
    listed = ", ".join(
        f"{getattr(one.message, 'arguments', {}).get('vehicle', '')} ({one.row})"
        for one in cause.kept[:_PLACES]
    )
    more = ", …" if cause.values > _PLACES else ""
    way = (
        "give each its enrolment before its first row"
        if first.file.casefold().endswith(".ndjson")
        else f"`roadworn import --look {first.file}` writes a list of all of them to import first"
    )
    say(
        f"{first.file}: {cause.values:,} vehicles are not enrolled, in {cause.rows:,} rows; first "
        f"in row {first.row}: {listed}{more} ({way}) [{first.code}]"
    )


def _tell_doubts(group: "DoubtGroup") -> None:
    """Say what is odd in rows that are kept: each in a line, many of one sort in one."""
    if group.rows <= _EACH:
        for doubt in group.kept:
            note(f"{doubt} Kept.")
    else:
        note(f"{group.rows:,} rows like this one, all kept, the first being {group.kept[0]}")


def _check_there(paths: list[Path]) -> None:
    for path in paths:
        if path.is_dir():
            raise UsageError(
                f"{path} is a folder: name the files in it, as in {path / 'work.ndjson'}."
            )
        if not path.is_file():
            raise EnvironmentFailure(f"There is no file {path}: check the name and the folder.")


def _tell_unmapped(tables: list[Path], map_path: Path) -> None:
    from roadworn.intake.csv_map import read_csv_map
    from roadworn.intake.csv_rows import unmapped_columns

    known = read_csv_map(map_path)
    for path in tables:
        left = unmapped_columns(path, known)
        if left:
            note(f"{path.name}: columns the map does not use: {', '.join(left)}.")
