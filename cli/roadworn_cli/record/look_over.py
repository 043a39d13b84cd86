"""`record inspection`: a look-over typed, walked through, or filled in as a table."""

import os
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple, NoReturn

import typer

from roadworn.checks.facts import Facts
from roadworn.checks.measured import check_agreement, sizes_on_record
from roadworn.model.amounts import choose
from roadworn.model.errors import LedgerRefused, UsageError
from roadworn.reading import JudgedFinding, read_findings
from roadworn.trade.judging import KnownSizes, join_sizes
from roadworn.trade.limits import SHEETS, Sheet, Weight, load_sheet
from roadworn_cli.context import leave, line_again, shop_words, state_of, today
from roadworn_cli.output import note as say_note
from roadworn_cli.output import say
from roadworn_cli.record import (
    Envelope,
    NoteOption,
    Vehicle,
    append,
    enveloped,
    short,
    writing,
)

if TYPE_CHECKING:
    from roadworn.reading.bench_words import Words

_BY_WEIGHT: Mapping[Weight, str] = {"heavy": "heavy_vehicle", "light": "light_vehicle"}
#: What of a profile says how heavy a vehicle is.
_WEIGHS = ("weight_class", "vehicle_class", "duty")


class Chosen(NamedTuple):
    """A sheet, and how it was come by.

    Attributes:
        sheet: to judge by.
        by_name: somebody chose it: only then is its name written down.
        doubt: why the vehicle's weight needs a word, or an empty text.
        why: what the choice rests on, in words.
    """

    sheet: Sheet
    by_name: bool
    doubt: str = ""
    why: str = ""

    @property
    def told(self) -> str:
        """Whose limits figures were judged by, in one sentence; empty where it was named."""
        return "" if self.by_name else f"Judged by the sheet {self.sheet.name}, {self.why}."


def choose_sheet(facts: Facts, vehicle_id: str, named: str) -> Chosen:
    """Return the sheet named, that of the environment, or the one for the vehicle's weight.

    Args:
        facts: what the ledger knows.
        vehicle_id: an enrolled vehicle.
        named: name or path, or an empty text.

    Raises:
        UsageError: there is no such sheet, or it cannot be used.
    """
    if named or os.environ.get(SHEETS.variable):
        return Chosen(load_sheet(named), by_name=True)
    profile = facts.profile(vehicle_id)
    why = "as no weight class is on record"
    if not any(profile.get(field) for field in _WEIGHS):
        return Chosen(load_sheet(_BY_WEIGHT["light"]), by_name=False, why=why)
    from roadworn.trade.weight import weigh

    weighed = weigh(profile)
    if weighed.by:
        why = f"by its {weighed.by}"
    elif weighed.doubt:
        why = "as its weight class is not understood"
    sheet = load_sheet(_BY_WEIGHT[weighed.taken])
    return Chosen(sheet, by_name=False, doubt=weighed.doubt, why=why)


def sheet_of_vehicle(facts: Facts, vehicle_id: str, sheet: Sheet) -> Sheet:
    """Return a sheet without the parts that a vehicle does not have.

    Args:
        facts: what the ledger knows.
        vehicle_id: an enrolled vehicle.
        sheet: what to look at.
    """
    from roadworn.trade.features import sheet_for, shown_in

    kinds = ("replacement", "repair", "maintenance", "inspection")
    shown = shown_in(event.data() for event in facts.events(vehicle_id, *kinds))
    return sheet_for(sheet, facts.profile(vehicle_id), shown)


_REST = ("sound", "not_checked")
_SAID_REST = {
    **dict.fromkeys(("ok", "okay", "good", "all ok", "fine"), "sound"),
    **dict.fromkeys(("unchecked", "not looked at", "not seen"), "not_checked"),
}


@enveloped()
def inspection(
    ctx: typer.Context,
    vehicle: Vehicle,
    findings: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[FINDING]...",
            help="Each 'brake pads front 3 mm wearing': component, place, measured, condition, "
            "note, or as the bay says it, 'frt pads 3mm worn'; several with ; between them; - "
            "reads them from standard input, one a line.",
            show_default=False,
        ),
    ] = None,
    rest: Annotated[
        str,
        typer.Option(
            metavar="sound|not-checked",
            help="What holds for everything not named: looked at and sound, or not checked.",
        ),
    ] = "",
    sheet: Annotated[
        str,
        typer.Option(
            metavar="SHEET",
            help="Look-over sheet: a name of `roadworn sheets`, or the path of your own; else "
            "ROADWORN_SHEET, else by the vehicle's weight class.",
        ),
    ] = "",
    filled: Annotated[
        str,
        typer.Option(
            metavar="FILE", help="A table of `roadworn sheets SHEET --blank` that was filled in."
        ),
    ] = "",
    keep_good: Annotated[
        bool,
        typer.Option(
            "--keep-good", help="Write down the findings that can be read, and say the others."
        ),
    ] = False,
    *,
    envelope: Envelope,
    note: NoteOption = "",
) -> None:
    """A look-over. Without findings, in a terminal, it walks through a sheet item by item.

    What a limit hangs on is said once and used from then on: 'steering column, steering wheel
    diameter 18 in', 'chamber 1L, chamber type 30'.
    """
    rest = choose(_SAID_REST.get(rest.casefold(), rest), _REST, "--rest") if rest else ""
    with writing(ctx) as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
        chosen = choose_sheet(ledger.facts, vehicle_id, sheet)
        if chosen.doubt:
            say_note(chosen.doubt)
        sizes = sizes_on_record(vehicle_id, ledger.facts)
        asks = sys.stdin.isatty()
        if findings == ["-"]:
            findings, asks = _typed_lines(sys.stdin.read()), False
        payload: dict[str, Any]
        typed: _Typed | None = None
        walked = False
        if filled:
            if findings:
                raise UsageError(
                    "--filled takes the place of typed findings: leave one of them out."
                )
            payload = _read_filled(filled, chosen, sizes, rest)
            _refuse_again(ledger.facts, vehicle_id, payload, envelope.on)
        elif findings:
            words = shop_words(state_of(ctx).ledger)
            typed = _Typed(ctx, vehicle_id, ledger.facts, chosen, sizes, words)
            payload = typed.payload(findings, asks=asks, keep_good=keep_good)
        elif rest or not sys.stdin.isatty():
            if rest != "sound":
                raise UsageError(
                    "A look-over without findings says nothing: write them as 'brake pads front "
                    "3 mm wearing', say --rest sound when everything was looked at and sound, or "
                    "run it in a terminal to walk through a sheet."
                )
            payload = {"sheet": chosen.sheet.name} if chosen.by_name else {}
        else:
            from roadworn_cli.record.terminal import walk

            asked = sheet_of_vehicle(ledger.facts, vehicle_id, chosen.sheet)
            payload = walk(ctx, vehicle_id, asked, sizes).payload()
            walked = True
        if rest:
            payload["rest"] = rest
        payload["note"] = note
        append(ledger, vehicle_id, "inspection", payload, envelope, sheet=chosen.sheet)
    if typed is not None and typed.wrong:
        typed.tell(written=True)
        leave(1)
    if walked:
        from roadworn_cli.record.terminal import forget

        forget(ctx, vehicle_id)


def _read_filled(path: str, chosen: "Chosen", sizes: "KnownSizes", rest: str) -> dict[str, Any]:
    """Return the payload that a filled-in table adds up to."""
    from roadworn.intake.filled import read_filled
    from roadworn.intake.filled_file import filled_rows

    read = read_filled(filled_rows(Path(path)), Path(path).name, chosen.sheet, sizes, rest)
    for remark in (*read.remarks, *filter(None, [chosen.told])):
        say_note(remark)
    return read.payload


def _refuse_again(facts: Facts, vehicle_id: str, payload: dict[str, Any], on: str) -> None:
    """Refuse a table that was taken already: the same figures twice are no second look.

    Raises:
        LedgerRefused: names the event.
    """
    day = on or today().isoformat()
    parts = ("findings", "sound", "not_checked")
    for event in facts.events(vehicle_id, "inspection"):
        data = event.data()
        same = all(
            [_without_empty(one) for one in data.get(part, ())]
            == [_without_empty(one) for one in payload.get(part, ())]
            for part in parts
        )
        if same and event.occurred_at[:10] == day:
            raise LedgerRefused(
                f"This look-over stands as event {short(event.event_id)} already: name its day "
                "with --on if it is another one."
            )


def _without_empty(part: Mapping[str, Any]) -> dict[str, Any]:
    """Return a part without what only says that nothing was said."""
    kept = {
        key: [_without_empty(m) for m in value] if key == "measurements" else value
        for key, value in part.items()
    }
    return {key: value for key, value in kept.items() if value not in (None, False, [], "")}


class _Typed:
    """Typed findings: what was understood of them is kept, and only the rest is asked again."""

    def __init__(
        self,
        ctx: typer.Context,
        vehicle_id: str,
        facts: Facts,
        chosen: Chosen,
        sizes: KnownSizes,
        words: "Callable[[], Words]",
    ) -> None:
        self.ctx, self.vehicle_id, self.facts, self.chosen = ctx, vehicle_id, facts, chosen
        self.sizes, self.words = sizes, words
        self.good: list[str] = []
        self.wrong: list[tuple[str, UsageError]] = []

    def payload(self, texts: list[str], *, asks: bool, keep_good: bool) -> dict[str, Any]:
        """Return what the typed findings add up to; nothing where some cannot be read.

        Args:
            texts: as typed.
            asks: ask again for one that cannot be read.
            keep_good: take those that can be read.

        Raises:
            UsageError: some cannot be read, or there is none.
        """
        found = self._read(texts, asks=asks and not keep_good)
        if self.wrong and not (keep_good and found):
            self._refuse()
        named = {"sheet": self.chosen.sheet.name} if self.chosen.by_name else {}
        return {"findings": found, **named}

    def _read(self, texts: list[str], *, asks: bool) -> list[dict[str, Any]]:
        """Read the findings, several in one text parted by a semicolon, and say what decided."""
        parts = [part.strip() for text in texts for part in text.split(";") if part.strip()]
        read: list[JudgedFinding] = []
        for part in parts:
            try:
                read += self._one(part)
                self.good.append(part)
            except UsageError as error:
                if asks and len(parts) > 1:
                    read += self._ask(part, error)
                else:
                    self.wrong.append((part, error))
        if len(self.wrong) == len(parts) == 1:
            raise self.wrong[0][1]
        if not read and not self.wrong:
            raise UsageError("No findings were given: write 'horn sound'.")
        findings = join_sizes(finding for finding, _remark in read)
        check_agreement(findings)
        remarks = [remark for _finding, remark in read if remark]
        # Said where a limit decided: by a car's sheet a truck's tire is sound where it fails.
        told = self.chosen.told
        for remark in (*remarks, *([told] if remarks and told else ())):
            say_note(remark)
        return findings

    def _one(self, text: str) -> list[JudgedFinding]:
        return read_findings(text, self.chosen.sheet, self.sizes, words=self.words, has=self._has)

    def _has(self, component: str, end: str | None) -> bool:
        """Whether the vehicle may have a component, by its profile."""
        from roadworn.trade.features import has_part

        return has_part(self.facts.profile(self.vehicle_id), component, end) is not False

    def _ask(self, text: str, error: UsageError) -> list[JudgedFinding]:
        """Ask for one finding again until it is read; Enter leaves it out."""
        while True:
            say(error.message)
            say(f"Write it again in place of {text!r}, or press Enter to leave it out:")
            text = sys.stdin.readline().strip()
            if not text:
                return []
            try:
                read = self._one(text)
            except UsageError as again:
                error = again
            else:
                self.good.append(text)
                return read

    def _refuse(self) -> NoReturn:
        """Say what cannot be read, with a line to mend and to give again.

        Raises:
            UsageError: always.
        """
        self.tell()
        many = len(self.wrong) + len(self.good)
        raise UsageError(
            f"{len(self.wrong)} of {many} findings cannot be read, so nothing was written: mend "
            "the end of that line and give it again, or add --keep-good to write down the others."
        )

    def tell(self, *, written: bool = False) -> None:
        """Say what cannot be read and why, and the command that gives it again.

        Args:
            written: the others are written down, with what was said of the whole.
        """
        for _text, error in self.wrong:
            say(error.message)
        good = [] if written else self.good
        but = {"keep_good", *(("rest", "note") if written else ())}
        wrong = [text for text, _error in self.wrong]
        say(line_again(self.ctx, [self.vehicle_id, *good, *wrong], but))


def _typed_lines(text: str) -> list[str]:
    """Return the findings of a typed look-over, one a line; a line with # is a remark."""
    lines = [line.strip() for line in text.splitlines()]
    found = [line for line in lines if line and not line.startswith("#")]
    if not found:
        raise UsageError("No findings were given: write one a line, as 'horn sound'.")
    return found
