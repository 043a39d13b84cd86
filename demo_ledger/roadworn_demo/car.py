"""One vehicle while its years are played through: what is fitted and what is written down."""

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from roadworn_demo.fleet import Dice, Odometer, Plan, Road, Unit
from roadworn_demo.truth import PART_LIVES, SEED, PartLife

#: A place where a part sits: the truth about it, and its position ("" when it has none).
Slot = tuple[PartLife, str]
Action = Callable[[date], None]


@dataclass(slots=True, eq=False)
class Draft:
    """One event to be, before it has an id.

    A draft may name another draft (an authorisation its estimate, a retraction the event it
    takes back); ids exist only once all drafts are in the order in which they were recorded.

    Attributes:
        payload: as for `NewEvent`, except that a value may be another draft.
        late: days between the event and its being written down.
        turn: position among the drafts of its vehicle, so that equal times keep their order.
    """

    vehicle_id: str
    kind: str
    day: date
    payload: dict[str, Any]
    odometer: float | None
    unit: Unit | None
    by: str
    source: str
    late: int = 0
    turn: int = 0
    event_id: str = field(default="", init=False)

    @property
    def recorded_on(self) -> date:
        """The day it was written down."""
        return self.day + timedelta(days=self.late)


@dataclass(slots=True, eq=False)
class Fitted:
    """A part on the vehicle.

    Attributes:
        miles: true distance of the vehicle when it was fitted.
        on: the day it was fitted.
        ends_miles: true distance at which it fails, when its clock is miles.
        ends_on: the day it fails, when its clock is days.
        broken: it has failed and nobody has looked yet, or nobody has paid yet.
        booked: its replacement has a day in the diary.
    """

    miles: float
    on: date
    ends_miles: float | None = None
    ends_on: date | None = None
    broken: bool = False
    booked: bool = False

    def worn(self, miles: float, day: date) -> float:
        """Return the used share of its life, 0 new to 1 at its end."""
        if self.ends_miles is not None:
            return (miles - self.miles) / max(self.ends_miles - self.miles, 1.0)
        end = self.ends_on or date.max
        return (day - self.on).days / max((end - self.on).days, 1)


@dataclass(frozen=True, slots=True)
class Reactions:
    """What the garage does when a part's life ends, its code shows early, or its plan is due."""

    life_ends: Callable[["Car", Slot, Fitted, date], None]
    code_early: Callable[["Car", Slot, Fitted, date], None]
    plan_due: Callable[["Car", Slot, Fitted, date], None]


@dataclass(slots=True)
class Car:
    """The state of one vehicle in play."""

    plan: Plan
    dice: Dice
    road: Road
    odometer: Odometer
    reactions: Reactions
    slots: dict[Slot, Fitted] = field(default_factory=dict)
    codes: dict[str, str] = field(default_factory=dict)
    drafts: list[Draft] = field(default_factory=list)
    diary: dict[date, list[Action]] = field(default_factory=lambda: defaultdict(list))

    @classmethod
    def of(cls, plan: Plan, reactions: Reactions) -> "Car":
        """Set up a vehicle with a stream of chance of its own."""
        dice = Dice(f"{SEED}/{plan.vehicle_id}")
        return cls(plan, dice, Road(plan, dice), Odometer(plan.unit, plan.digits), reactions)

    def own_slots(self) -> Iterator[Slot]:
        """Yield every place on this vehicle where a part sits: an automatic has no clutch."""
        for part in PART_LIVES:
            if part.component == "drivetrain.clutch" and self.plan.gearbox == "automatic":
                continue
            if self.plan.vehicle_class in part.classes:
                for position in part.positions:
                    yield part, position

    def book(self, day: date, action: Action) -> None:
        """Put an action in the diary; on a Sunday the garage is closed."""
        if day.weekday() == 6:
            day += timedelta(days=1)
        if day <= self.road.last:
            self.diary[day].append(action)

    def work_order(self, day: date) -> str:
        """Return the number under which a day's work on the vehicle is written down."""
        return f"{self.plan.vehicle_id}/{day:%y%m%d}"

    def holds(self, slot: Slot, fitted: Fitted) -> bool:
        """Return True while that very part is still on the vehicle."""
        return self.slots.get(slot) is fitted

    def note(
        self,
        kind: str,
        day: date,
        payload: dict[str, Any],
        *,
        reading: bool = True,
        by: str = "bench",
        source: str = "typed",
        late: int = 0,
    ) -> Draft:
        """Write an event down; empty positions and None are left out of the payload."""
        draft = Draft(
            vehicle_id=self.plan.vehicle_id,
            kind=kind,
            day=day,
            payload={key: value for key, value in payload.items() if value not in (None, "")},
            odometer=self.odometer.shows(self.road.at(day)) if reading else None,
            unit=self.plan.unit if reading else None,
            by=by,
            source=source,
            late=late,
            turn=len(self.drafts),
        )
        self.drafts.append(draft)
        return draft

    def play(self) -> list[Draft]:
        """Work through the diary day by day and return all that was written down."""
        day = self.road.first
        while day <= self.road.last:
            # An action may book another one for the same day: the list grows while it is read.
            for action in self.diary[day]:
                action(day)
            day += timedelta(days=1)
        return self.drafts
