"""What a row tells beside its figures: the failures behind it, when, on what, under warranty."""

from dataclasses import dataclass
from datetime import date

from roadworn.view import LedgerView
from roadworn_plugins.grouped import NOT_RECORDED
from roadworn_plugins.prices import Prices
from roadworn_plugins.repeats.levels import Label
from roadworn_plugins.warranties import within_warranty


@dataclass(frozen=True, slots=True)
class Failure:
    """One failure: the event that ended or found it, the vehicle, the day, the part."""

    event: str
    vehicle: str
    day: date | None
    part_number: str
    in_warranty: bool


@dataclass(frozen=True, eq=False)
class Facts:
    """Failures by level and label, and prices."""

    prices: Prices
    failures: dict[tuple[str, Label], list[Failure]]

    @classmethod
    def load(cls, view: LedgerView) -> "Facts":
        """Read every failure once, keyed by every label it may be asked for."""
        covered = within_warranty(view)
        found: dict[tuple[str, Label], list[Failure]] = {}
        for component, kind, vehicle, position, supplier, number, event, day, started in view.sql(
            f"""SELECT component, vehicle_class, vehicle_id, coalesce(position, ''),
                       coalesce(supplier, '{NOT_RECORDED}'),
                       coalesce(part_number, '{NOT_RECORDED}'), ended_by, ended_on, started_by
                FROM part_lives WHERE failed ORDER BY ended_on, ended_by, position"""
        ).rows:
            failure = Failure(event or "", vehicle, day, number, (started, event) in covered)
            for level, label in (
                ("place", (component, kind, vehicle, position)),
                ("class", (component, kind)),
                ("supplier", (component, supplier)),
                ("part", (component, supplier, number)),
            ):
                found.setdefault((level, label), []).append(failure)
        return cls(Prices.load(view), found)

    def of(self, level: str, label: Label) -> list[Failure]:
        """Return the failures of one label, earliest first."""
        return self.failures.get((level, label), [])
