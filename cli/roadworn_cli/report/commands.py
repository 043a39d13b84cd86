"""`roadworn report vehicle V` and `report fleet`: one self-contained HTML file each."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from roadworn.model.errors import UsageError
from roadworn_cli import words as looks
from roadworn_cli.context import state_of
from roadworn_cli.output import say

if TYPE_CHECKING:
    from roadworn_cli.report.asking import Asker

_OUT = typer.Option(
    "--output",
    "--out",
    "-o",
    metavar="FILE",
    help="The file to write; - writes to stdout. In `record`, -o is the odometer.",
)
_OVER = typer.Option("--overwrite", help="Write over an earlier report of that name.")
_FULL = typer.Option("--full", help="Every row and column, and the events behind them.")
_MONTHS = typer.Option(
    "--months", metavar="MONTHS", min=0.5, max=120, help="How far to look ahead."
)
_LIMIT = typer.Option(
    "--time-limit", metavar="SECONDS", help="After these an analysis is given up."
)
_LETTERHEAD = typer.Option(
    "--letterhead",
    envvar="ROADWORN_LETTERHEAD",
    metavar="FILE",
    help="The shop's letterhead (TOML: name, lines, telephone, image); else letterhead.toml "
    "beside the ledger, if it is there.",
)
_SET = typer.Option(
    "--set", metavar="ANALYSIS.SETTING=VALUE", help="A setting: keep-or-sell.replacement-price=9000"
)


def vehicle(
    ctx: typer.Context,
    vehicle: Annotated[str, typer.Argument(help="The vehicle, as `roadworn vehicles` names it.")],
    out: Annotated[str, _OUT] = "",
    overwrite: Annotated[bool, _OVER] = False,
    full: Annotated[bool, _FULL] = False,
    contact: Annotated[bool, typer.Option("--contact", help="Name the owner on it.")] = False,
    months: Annotated[float, _MONTHS] = 12.0,
    letterhead: Annotated[str, _LETTERHEAD] = "",
    settings: Annotated[list[str] | None, _SET] = None,
    time_limit: Annotated[float, _LIMIT] = 300.0,
    language: looks.Language = "en",
    unit: looks.Unit = "",
    currency: looks.Currency = "",
    dates: looks.Dates = "ymd",
    paper: looks.Paper = "a4",
) -> None:
    """Write the report that the customer takes home; --full for the long one."""
    from roadworn.say import Said
    from roadworn_cli.report.letterhead import letterhead_of
    from roadworn_cli.report.page import put, render
    from roadworn_cli.report.vehicle import Request, contact_lines, vehicle_report
    from roadworn_cli.words import Words

    look = looks.look_of(language, unit, currency, dates, paper)
    chosen = settings_by_analysis(settings or [])
    head = letterhead_of(letterhead, state_of(ctx).ledger)
    with _asker(ctx, out, look, time_limit, overwrite=overwrite) as asker:
        named: tuple[Said, ...] = ()
        if contact:
            known = asker.view.require_vehicle(vehicle)
            profile = asker.view.sql(
                "SELECT owner_reference FROM vehicles WHERE vehicle_id = ?", (known,)
            ).rows
            with state_of(ctx).open_ledger() as ledger:
                named = contact_lines(ledger, profile[0][0], Words(look))
                # A number plate leads to a person: it is printed with the name, or not at all.
                if plate := ledger.plates.of(known):
                    named = (*named, Words(look).plain(plate))
        request = Request(vehicle, months, full, chosen, head)
        report, words = vehicle_report(asker, request, named)
    put(out, render(report, words), say)


def fleet(
    ctx: typer.Context,
    out: Annotated[str, _OUT] = "",
    overwrite: Annotated[bool, _OVER] = False,
    full: Annotated[bool, _FULL] = False,
    months: Annotated[float, _MONTHS] = 12.0,
    letterhead: Annotated[str, _LETTERHEAD] = "",
    settings: Annotated[list[str] | None, _SET] = None,
    time_limit: Annotated[float, _LIMIT] = 300.0,
    language: looks.Language = "en",
    unit: looks.Unit = "",
    currency: looks.Currency = "",
    dates: looks.Dates = "ymd",
    paper: looks.Paper = "a4",
) -> None:
    """Write the report that the manager of a fleet looks at."""
    from roadworn_cli.report.fleet import fleet_report
    from roadworn_cli.report.letterhead import letterhead_of
    from roadworn_cli.report.page import put, render

    look = looks.look_of(language, unit, currency, dates, paper)
    chosen = settings_by_analysis(settings or [])
    head = letterhead_of(letterhead, state_of(ctx).ledger)
    with _asker(ctx, out, look, time_limit, overwrite=overwrite) as asker:
        report, words = fleet_report(
            asker, months=months, full=full, settings=chosen, letterhead=head
        )
    put(out, render(report, words), say)


@contextmanager
def _asker(
    ctx: typer.Context, out: str, look: looks.Look, time_limit: float, *, overwrite: bool
) -> Iterator["Asker"]:
    """Give what asks the analyses, once it is sure that the report has a place to go."""
    from roadworn_cli.report.asking import Asker
    from roadworn_cli.report.page import check_target

    state = state_of(ctx)
    check_target(out, state.ledger, overwrite=overwrite)
    host = state.plugins()
    with state.open_view(host) as view:
        yield Asker(host, view, look, time_limit)


def settings_by_analysis(given: list[str]) -> dict[str, dict[str, object]]:
    """Return settings typed as ANALYSIS.SETTING=VALUE, by analysis.

    Raises:
        UsageError: one is written otherwise.
    """
    found: dict[str, dict[str, object]] = {}
    for text in given:
        name, sign, value = text.partition("=")
        analysis, point, setting = name.partition(".")
        if not (sign and point and analysis and setting):
            raise UsageError(
                f"--set takes ANALYSIS.SETTING=VALUE, as keep-or-sell.value=2650, not {text!r}."
            )
        found.setdefault(analysis, {})[setting.replace("-", "_")] = value
    return found
