"""Whom to call: what was declined or deferred, and what falls due, as any door shows it."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from roadworn.analysis import Answers, Holds, Mark
from roadworn.model.catalogue import part_name
from roadworn.model.errors import UsageError
from roadworn.model.messages import Joined
from roadworn_cli.day_lists import SAYS, Row, built_of, records, sums_of

if TYPE_CHECKING:
    from roadworn.analysis import Table
    from roadworn.analysis.host import PluginHost
    from roadworn.columns.view import LedgerView


@dataclass(frozen=True, slots=True)
class Calls:
    """The list to call.

    Attributes:
        headline: how many there are.
        caveats: reservations.
        table: as the analysis gives it.
        rows: its rows, with whether each is about safety, and the events behind it.
        about: vehicle -> its row of the table of vehicles.
    """

    headline: str
    caveats: tuple[str, ...]
    table: "Table"
    rows: list[Row]
    about: Mapping[str, Row]

    def owner_of(self, vehicle: str) -> str:
        """Return the reference of a vehicle's owner, or an empty text."""
        return self.about[vehicle]["owner_reference"] or ""


@dataclass(frozen=True, slots=True)
class Call:
    """One vehicle to call about.

    Attributes:
        vehicle: its name.
        head: what it is, what all of it comes to, and whose it is where that is named.
        lines: (it is about safety, what is to be said).
    """

    vehicle: str
    head: str
    lines: tuple[tuple[bool, str], ...]


def to_call(view: "LedgerView", host: "PluginHost", months: float) -> Calls:
    """Ask whom to call within so many months.

    Raises:
        UsageError: the analysis in use gives no such list.
    """
    ran = host.run(host.answering(Answers.TO_CALL), view, {"months": months})
    table = ran.result.holding(Holds.TO_CALL)
    if table is None:
        raise UsageError(f"{ran.analysis.name} gives no list to call: see `roadworn plugins`.")
    profiles = view.sql(
        "SELECT vehicle_id, label, model_year, make, model, owner_reference FROM vehicles"
    )
    about = {row["vehicle_id"]: row for row in records(profiles)}
    rows: list[Row] = []
    for record, events, marks in zip(table.records(), table.evidence, table.marks, strict=True):
        rows.append({**record, "safety": Mark.SAFETY in marks, "event_ids": list(events)})
    return Calls(ran.result.headline, tuple(ran.result.caveats), table, rows, about)


def calls_told(found: Calls, named: Mapping[str, str]) -> Iterator[Call]:
    """Yield a vehicle at a time what is to be said; `named`: reference -> whose it is."""
    for vehicle, group in groupby(found.rows, lambda row: str(row["vehicle"])):
        of, one = list(group), found.about[vehicle]
        money = sums_of({"amount": row["price"], "currency": row["currency"]} for row in of)
        owner = named.get(one["owner_reference"] or "")
        head = Joined((one["label"], built_of(one), money, owner))
        yield Call(vehicle, head, tuple((row["safety"], _asked(row)) for row in of))


def _asked(row: Row) -> str:
    name = part_name(row["component"], row["position"]) if row["component"] else ""
    price = ""
    if row["price"] is not None:
        price = SAYS("price", amount=row["price"], currency=row["currency"])
    safety = SAYS("safety") if row["safety"] else ""
    return SAYS("asked", work=Joined((safety, name, row["why"], price)), asked=row["say"])
