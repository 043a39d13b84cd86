"""Commands made from the fields of a payload: `enrol`, and `record` of the plain kinds.

A field is described where it is declared (`roadworn.model.kinds`), and its type says how a
person types it. What is left stands here: which fields are typed without an option's name, what
a command takes besides them, and what is said once the event is written down.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from inspect import Parameter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from roadworn.checks.odd import check_owner
from roadworn.model.amounts import (
    read_energy,
    read_figure,
    read_fluid,
    read_odometer,
    read_warranty,
)
from roadworn.model.errors import LedgerRefused, UnknownName, UsageError
from roadworn.model.kinds import CORE_KINDS, PayloadField, fields_of
from roadworn_cli.context import default_unit, shop_words, state_of
from roadworn_cli.output import escape, note
from roadworn_cli.record import (
    ENVELOPE,
    Asked,
    CurrencyOption,
    Envelope,
    NoteOption,
    Vehicle,
    append,
    as_money,
    asking,
    given,
    write,
    writing,
)

if TYPE_CHECKING:
    from roadworn.intake import Ledger

_FIGURE = Annotated[str, typer.Argument(metavar="FIGURE", help="As read, '61,250 mi'.")]
_UNIT_ALONE = Annotated[
    str, typer.Option(metavar="km|mi", help="Unit of a figure that has none; else ROADWORN_UNIT.")
]


@dataclass(slots=True)
class Typed:
    """What was typed for one event, read.

    Attributes:
        ctx: the running command.
        vehicle: its name, as typed.
        kind: stored name of the kind.
        payload: the fields that were given.
        envelope: when, by whom, at what reading.
        others: parameters that are no fields, and the figures of distances as typed.
    """

    ctx: typer.Context
    vehicle: str
    kind: str
    payload: dict[str, Any]
    envelope: Envelope
    others: dict[str, Any]

    def write(self, *, allow_repeat: bool = False, typed: str = "") -> None:
        """Append the event, and say what was written."""
        write(
            self.ctx,
            self.vehicle,
            self.kind,
            self.payload,
            self.envelope,
            allow_repeat=allow_repeat,
            typed=typed,
        )


class Entry:
    """A command made from the fields of a kind; put before the function that writes it down.

    Args:
        kind: stored name of the kind.
        arguments: fields typed without an option's name, in their order.
        reading: whether the odometer figure is an option, an argument or not asked for.
        defaults: words taken where none is typed, in the place of the payload's own.
        without: fields that are not asked for.
        others: parameters that are no fields, or that differ from those of other commands.
    """

    def __init__(
        self,
        kind: str,
        *arguments: str,
        reading: Literal["option", "argument", "none"] = "option",
        defaults: Mapping[str, str] | None = None,
        without: tuple[str, ...] = (),
        others: Mapping[str, Asked] | None = None,
    ) -> None:
        self.kind, self.arguments, self.reading = kind, arguments, reading
        self.defaults, self.without, self.others = defaults or {}, without, others or {}

    def __call__(self, function: Callable[[Typed], object]) -> "Entry":
        """Keep what the command does when everything is read; its docstring is the help."""
        self.function = function
        return self

    def as_command(self) -> Callable[..., None]:
        """Return the function that typer makes the command of."""
        fields = self._fields()
        asked: dict[str, Asked] = {"ctx": (typer.Context, Parameter.empty)}
        asked["vehicle"] = (Vehicle, Parameter.empty)
        if self.reading == "argument":
            asked["odometer"] = (_FIGURE, Parameter.empty)
        asked |= {name: self._asked(one) for name, one in fields.items()}
        if any(one.type == "money" for one in fields.values()):
            asked["currency"] = (CurrencyOption, "")
        is_option = self.reading == "option"
        asked |= {name: one for name, one in ENVELOPE.items() if is_option or name != "odometer"}
        if "note" in CORE_KINDS[self.kind].model_fields:
            asked["note"] = (NoteOption, "")
        asked |= self.others

        def run(ctx: typer.Context, vehicle: str, **typed: Any) -> None:  # noqa: ANN401
            payload: dict[str, Any] = {}
            for name, one in fields.items():
                if typed[name] not in (None, "", []):
                    payload |= self._read(one, typed[name], typed, state_of(ctx).ledger)
            payload["note"] = typed.get("note")
            words = (typed.get(name, "") for name in ENVELOPE)
            self.function(Typed(ctx, vehicle, self.kind, payload, Envelope(*words), typed))

        run.__doc__ = self.function.__doc__
        return asking(run, asked)

    def _fields(self) -> dict[str, PayloadField]:
        """Return the fields to ask for: arguments, what must be given, the kind's own, others."""
        known = fields_of(CORE_KINDS[self.kind])
        first: dict[str, PayloadField] = {}
        for one in known.values():
            # A field with the option of another is typed with it, as a place is.
            first.setdefault(one.option, one)
        asked = [one for one in first.values() if one.name not in {"note", *self.without}]
        own = CORE_KINDS[self.kind].__annotations__
        asked.sort(key=lambda one: (not one.required, one.name not in own))
        return {name: known[name] for name in (*self.arguments, *(one.name for one in asked))}

    def _asked(self, one: PayloadField) -> Asked:
        """Return the parameter of a field."""
        words = [word.replace("_", "-") for word in one.words]
        told = one.help
        if words:
            told = f"{told.rstrip('.')}: {', '.join(words[:-1])} or {words[-1]}."
        if one.type == "texts":
            told = f"{told.rstrip('.')}; repeat it."
        if one.name in self.arguments:
            shown = one.option.upper()
            return Annotated[str, typer.Argument(metavar=shown, help=told)], Parameter.empty
        option = typer.Option(
            f"--{one.option}", metavar=one.shown or _SHOWN.get(one.type, "TEXT"), help=told
        )
        default = self.defaults.get(one.name, one.default)
        if one.option == "warranty":
            return Annotated[str, option], ""
        if one.type == "integer":
            return Annotated[int | None, option], default
        if one.type == "number":
            return Annotated[float | None, option], default
        if one.type == "texts":
            return Annotated[list[str] | None, option], None
        return Annotated[str, option], Parameter.empty if one.required else default or ""

    def _read(
        self,
        one: PayloadField,
        value: Any,  # noqa: ANN401
        typed: dict[str, Any],
        ledger: Path,
    ) -> dict[str, Any]:
        """Return what was typed for a field, and for those that are typed with it.

        Raises:
            UsageError: it cannot be read.
        """
        option = f"--{one.option}"
        if one.option == "warranty":
            return read_warranty(value, typed["unit"] or default_unit())
        if one.option == "fluid":
            return read_fluid(value)
        if one.name == "vin":
            value = value.strip().upper()
        elif one.name == "owner_reference":
            check_owner(value)
        elif one.name == "model_year" and not 1900 <= value <= 2100:
            raise UsageError(f"{option} takes four digits, as in 2014, not {value}.")
        elif one.type == "component":
            # The words of the trade cost what a reading would wait for in vain.
            from roadworn.reading import read_item

            words = shop_words(ledger)
            try:
                item = read_item(value, words)
            except UsageError:
                # A part at several places is so many parts, each with a life of its own.
                from roadworn.reading.bench_door import hear_places

                items = hear_places(value, words())
                if not items or self.kind != "replacement" or one.name != "component":
                    raise
                typed["places"] = [each["position"] for each in items]
                item = items[0]
            return item if one.name == "component" else {one.name: item["component"]}
        elif one.type == "money":
            value = as_money(value, typed["currency"])
        elif one.type == "day":
            from roadworn_cli.record.bay_words import said_day

            return said_day(one.name, value, option)
        elif one.type == "word":
            what = f"The {one.option}" if one.name in self.arguments else option
            from roadworn_cli.record.bay_words import chosen

            value = chosen(one.name, value, one.words, what)
        return {one.name: value}


_SHOWN = {
    "word": "WORD",
    "day": "DATE",
    "money": "AMOUNT",
    "component": "COMPONENT",
    "distance": "FIGURE",
    "integer": "NUMBER",
    "number": "NUMBER",
}


@Entry("odometer_reading", reading="argument", defaults={"how": "dash"})
def reading(typed: Typed) -> None:
    """An odometer reading: roadworn record reading bus-7 "61,250 mi"."""
    typed.write()


@Entry("odometer_exchange", reading="none", others={"unit": (_UNIT_ALONE, "")})
def exchange(typed: Typed) -> None:
    """The odometer was exchanged: record exchange bus-7 --old "98,400 mi" --new "12 mi"."""
    old, new = typed.payload["old_reading"], typed.payload["new_reading"]
    unit = typed.envelope.unit or default_unit()
    old_value, old_unit = read_odometer(old, unit)
    new_value, new_unit = read_odometer(new, unit or old_unit)
    if old_unit != new_unit:
        raise UsageError(
            f"The old figure is in {old_unit} and the new one in {new_unit}: give both in one unit."
        )
    typed.payload |= {"old_reading": old_value, "new_reading": new_value, "unit": old_unit}
    typed.write(typed=old)


_PLATE: dict[str, Asked] = {
    "plate": (
        Annotated[
            str,
            typer.Option(
                metavar="PLATE",
                help="Its number plate with its place, 'ABC 123 XY'; kept apart from events.",
            ),
        ],
        "",
    )
}


def keep_plate(ledger: "Ledger", vehicle_id: str, text: str) -> None:
    """Keep the number plate of a vehicle where one was typed, and say so."""
    if text:
        plate = ledger.plates.set(vehicle_id, text)
        typer.echo(f"{vehicle_id}  plate {escape(plate)}, kept apart from events")


def check_plate(text: str) -> None:
    """Refuse what is no number plate before anything is written.

    Raises:
        UsageError: it is none.
    """
    if text:
        from roadworn.store.aside import read_plate

        read_plate(text)


@Entry("profile_change", others=_PLATE)
def profile(typed: Typed) -> None:
    """Some of its description changed; what is left out stays as it was."""
    plate = typed.others["plate"]
    check_plate(plate)
    changed = given({**typed.payload, "note": None})
    if not changed and not plate:
        raise UsageError("Nothing has changed: say what did, as in --duty 'school run'.")
    if changed or typed.payload.get("note"):
        typed.write()
    if plate:
        with writing(typed.ctx) as ledger:
            keep_plate(ledger, ledger.require_vehicle(typed.vehicle), plate)


@Entry("inspection_result", "inspection", "result")
def inspection_result(typed: Typed) -> None:
    """Outcome of an official inspection: roadworn record inspection-result bus-7 safety pass."""
    typed.write()


@Entry("retirement", "reason")
def retirement(typed: Typed) -> None:
    """The vehicle left; its parts stop being observed at its last reading."""
    typed.write()


@Entry("visit", "step")
def visit(typed: Typed) -> None:
    """It came in, or was handed over: record visit bus-7 arrived --promised "fri 4pm"."""
    typed.write()
    if typed.payload["step"] == "handed_over":
        from roadworn_cli.record.done import tell_open

        tell_open(typed.ctx, typed.vehicle)


@Entry("out_of_service", "cause")
def out_of_service(typed: Typed) -> None:
    """It cannot serve: record out-of-service van-3 repair --days 3, or until it is back."""
    typed.write()


@Entry("back_in_service")
def back_in_service(typed: Typed) -> None:
    """It serves again after it was out of service."""
    typed.write()


@Entry("energy", "amount")
def energy(typed: Typed) -> None:
    """Fuel or electricity put in: record energy van-3 "61.2 l" --cost "98.40 EUR" --fill full."""
    typed.payload |= read_energy(typed.payload["amount"])
    typed.write()


@Entry("hours_reading", "hours")
def hours(typed: Typed) -> None:
    """Hours of the engine, as its meter shows them: record hours loader-2 4521."""
    typed.payload["hours"] = read_figure(typed.payload["hours"], 1_000_000, "4521.5")
    typed.write()


@Entry("valuation", "value")
def valuation(typed: Typed) -> None:
    """What the vehicle is worth as it stands, and where that figure is from."""
    typed.write()


@Entry("complaint", "complaint")
def complaint(typed: Typed) -> None:
    """What the customer says, and later what caused it and what was done."""
    typed.write()


@Entry("repair", "component")
def repair(typed: Typed) -> None:
    """Work without a new part, in the trade's three texts: complaint, cause, correction."""
    typed.write()


@Entry("maintenance", "component")
def maintenance(typed: Typed) -> None:
    """Service work that is due by plan: roadworn record maintenance bus-7 "engine oil".

    One of no single part is written the same way: record maintenance bus-7 "full service".
    """
    if typed.payload["component"].startswith("other.") and typed.payload["action"] == "replaced":
        from roadworn.reading.done_words import SERVICES

        typed.payload["action"] = SERVICES.get(typed.payload["component"], "replaced")
    typed.write()


def _flag(name: str, told: str) -> Asked:
    return Annotated[bool, typer.Option(f"--{name}", help=told)], False


_PART_KINDS = {
    "new": _flag("new", "The part is new."),
    "used": _flag("used", "The part is used: its age is unknown."),
    "remanufactured": _flag("remanufactured", "The part is remanufactured."),
}
_REPEAT = {"allow_repeat": _flag("allow-repeat", "Take it though the same was entered already.")}


@Entry("replacement", "component", without=("part_kind",), others={**_PART_KINDS, **_REPEAT})
def replacement(typed: Typed) -> None:
    """A part was replaced; --reason says why, since that is what its life is counted by."""
    said = [kind for kind in _PART_KINDS if typed.others[kind]]
    if len(said) > 1:
        both = " and ".join(f"--{kind}" for kind in said)
        raise UsageError(f"A part cannot be {both} at once: keep one of them.")
    typed.payload["part_kind"] = said[0] if said else "unknown"
    if "places" in typed.others:
        from roadworn_cli.record.done import write_spread

        write_spread(typed.ctx, typed.vehicle, typed.payload, typed.envelope, typed.others)
        return
    typed.write(allow_repeat=typed.others["allow_repeat"])


_NEW_NAME = Annotated[
    str, typer.Argument(metavar="VEHICLE", help="A short name of your own, without spaces.")
]


@Entry(
    "enrolment",
    others={"vehicle": (_NEW_NAME, Parameter.empty), "unit": (_UNIT_ALONE, ""), **_PLATE},
)
def enrol(typed: Typed) -> None:
    """Take a vehicle into the ledger; later a change of its description is `record profile`."""
    vehicle, envelope = typed.vehicle, typed.envelope
    check_plate(typed.others["plate"])
    with writing(typed.ctx) as ledger:
        try:
            known = ledger.require_vehicle(vehicle)
        except UnknownName:
            known = ""
        if known and known != vehicle:
            raise LedgerRefused(
                f"{known} is enrolled already, and {vehicle} differs in letter case only: "
                "choose another name."
            )
        append(ledger, vehicle, typed.kind, typed.payload, envelope)
        keep_plate(ledger, vehicle, typed.others["plate"])
    if not envelope.odometer:
        note("without --odometer its parts have no known distance until a reading is recorded.")
