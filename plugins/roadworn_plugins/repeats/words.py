"""What is read behind a row, and what is said of it: why it is listed, what speaks against it."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue, part_name
from roadworn.model.messages import Joined, PlaceName, Says, Sentence
from roadworn.model.units import KM_PER_MILE
from roadworn_plugins.lifedata.special import gammainc
from roadworn_plugins.repeats.chances import BATCHES, OF_PLACES
from roadworn_plugins.repeats.levels import Lives
from roadworn_plugins.shared.grouped import Unit, shown_distance
from roadworn_plugins.shared.prices import Prices
from roadworn_plugins.shared.settings import named_alike

#: Name of each kind of finding as a reader sees it.
SHOWN = {
    "place": "one place",
    "comebacks": "one place",
    "on vehicle": "one vehicle",
    "vehicle": "one vehicle",
    "vehicle since": "one vehicle",
    "class": "a class",
    "class since": "a class",
    "supplier": "a supplier",
    "part": "a supplier's part",
    "batch": "a batch",
    "batch comebacks": "a batch",
    "fleet since": "the whole fleet",
}
say = Says(
    "repeat-failures",
    {
        "shape-doubt": "{part}: the lives on {classes} {classes:class|classes} speak against one "
        "common shape (chance {p:.2g}), so what is expected at an age is less sure "
        "than the limits say.",
        "none": "No part life with a failure is on record yet, so nothing can keep failing.",
        "record": "Record replacements with their reason and odometer reading.",
        "alone": "Nothing can be compared yet: no part has others of its kind on other vehicles.",
        "chance": "Nothing fails more often than chance would have it, of {n} that {n:was|were} "
        "compared.",
        "headline": (
            "{part} ({where}) failed {failed} {failed:time|times} where {expected:.1f} is usual.",
            "{n} fail more often; first {part} ({where}): {failed} where {expected:.1f} is usual.",
        ),
        "all-parts": "all its parts",
        "everywhere": "all vehicles",
        "count": "{part} on {vehicle}: {n} {n:failure|failures} in {months} "
        "{months:month|months}; look for a cause.",
        "why-count": "{part}: failed {n} {n:time|times} within {months} {months:month|months} and "
        "{distance:,.0f} {unit}, where even short-lived ones give {expected:.1f} "
        "(chance {p:.1g}); look for a cause.",
        "why": "{part}: failed {n} {n:time|times} where {expected:.1f} would be usual for "
        "{others}{in_warranty}{trend}.",
        "why-vehicle": "failures of all its parts together: {n} where {expected:.1f} would be "
        "usual for {others}; its parts last about {share:.0%} of the usual life.",
        "why-back": "{part}: came back {n} {n:time|times} soon after the work where "
        "{expected:.1f} would be usual; the work or the parts used are more likely "
        "the cause than wear{in_warranty}.",
        "why-back-since": "{part}: {n} of those fitted since {since} came back soon after the work "
        "where {expected:.1f} would be usual by {others}; chance gives {alarms:.2g} such alarms a "
        "year{in_warranty}.",
        "why-since": "{part}: {n} failed since {since} where {expected:.1f} would be usual by "
        "{others}; chance gives {alarms:.2g} such alarms a year{in_warranty}.",
        "others-place": "the same part elsewhere on vehicles of the class {vehicle_class}",
        "others-alone": "the same part elsewhere on all other vehicles",
        "others-class": "the same part on all other classes",
        "others-origin": "the same part from anybody else on the same classes",
        "others-vehicle": "the same parts on other vehicles",
        "others-past": "its own record before",
        "in-warranty": "; {n} of them within the part's own warranty",
        "trend": "; {trend}: {later} of them since {since}, where an even pace would give "
        "{expected:.1f} (chance {p:.2g})",
        "few": ("only {n} failure", "only {n} failures"),
        "comebacks": "{n} of them came back soon after the work, so the work may be the cause",
        "one-number": "{n} of them {n:is|are} one part number, {number}",
        "one-vehicle": "all on one vehicle, {vehicle}",
        "mostly-on": "most of them on {vehicle} alone",
        "few-others": (
            "the others had only {n} failure to compare with",
            "the others had only {n} failures to compare with",
        ),
        "late": "recording started late: {share:.0%} of these parts came with distance on them",
        "between": "most failures were found at look-overs, so their age is not exact",
        "no-calendar": "ages by calendar are unknown, so only the distance was tried",
        "vehicle-itself": "a cause on the vehicle itself would look the same",
        "how-recorded": "a change in what is recorded or how the vehicles are used would look "
        "the same",
        "no-others": "there are too few others to compare with",
        "no-doubt": "nothing in the record",
        "chart": "{name}: {failed} failed where {expected:.1f} would be usual",
        "curve": "{name}: {came:.0f} by {day}{missing}, {usual:.1f} would be usual",
        "without-day": " ({n} more without a day)",
        "by-time": "Not listed: {part} ({where}) failed {failed} {failed:time|times} where "
        "{expected:.1f} would be usual, but by the other clock, distance or calendar, "
        "{by_time:.1f} would be: it may go by that.",
        "compared": "Of the rows listed about {share:.0%} may be chance: {n} {n:was|were} "
        "compared.",
        "unrecorded": "A failure that nobody recorded, or recorded without its reason, is not "
        "counted.",
        "left-out": (
            "{n} part was left out, for nobody knows when it was fitted.",
            "{n} parts were left out, mostly for nobody knows when they were fitted.",
        ),
        "not-shown": (
            "{n} more row is not shown; raise the setting most.",
            "{n} more rows are not shown; raise the setting most.",
        ),
    },
)


def load(view: LedgerView, aliases: str = "") -> Lives:
    """Read the lives of fitted parts, and what came back soon, which is a failure here too.

    Args:
        view: the ledger as of a day.
        aliases: other names of suppliers, see `named_alike`.
    """
    # What came back by the work alone is the work's fault and not the part's.
    data = view.arrays(
        """SELECT l.component, l.vehicle_class, l.vehicle_id, coalesce(l.position, '') AS position,
                  coalesce(l.supplier, '') AS supplier, coalesce(l.part_number, '') AS number,
                  l.entry_km, l.lower_km, l.upper_km, l.entry_days, l.lower_days, l.upper_days,
                  l.failed, l.ended_by, l.started_by, l.came_back,
                  date_diff('day', DATE '1970-01-01',
                            coalesce(l.ended_on, v.retired_on, v.last_seen_on)) AS last_day
           FROM (SELECT component, vehicle_class, vehicle_id, position, supplier, part_number,
                        entry_km, lower_km, upper_km, entry_days, lower_days, upper_days, failed,
                        ended_by, started_by, ended_on, FALSE AS came_back
                 FROM part_lives
                 UNION ALL
                 SELECT component, vehicle_class, vehicle_id, position, supplier, part_number,
                        0, age_km, age_km, 0, age_days, age_days, cause <> 'workmanship',
                        event_id, of_event, occurred_on, TRUE
                 FROM comebacks WHERE left_out) AS l
           JOIN vehicles AS v USING (vehicle_id)
           ORDER BY l.component, l.vehicle_id, position, last_day, l.lower_km, l.upper_km,
                    l.ended_by"""
    )
    texts = {
        column: data[name].tolist()
        for column, name in (
            ("component", "component"), ("class", "vehicle_class"), ("vehicle", "vehicle_id"),
            ("position", "position"), ("supplier", "supplier"), ("number", "number"),
        )
    }  # fmt: skip
    for column, same in (("supplier", aliases), ("number", "")):
        shown = named_alike(texts[column], same)
        texts[column] = [shown[name] for name in texts[column]]
    failed = data["failed"].astype(bool)
    ages = {
        end: np.stack(
            [data[f"{end}_km"].astype(float) / 1e3, data[f"{end}_days"].astype(float) / 365.25]
        )
        for end in ("entry", "lower", "upper")
    }
    # A failure between two looks counts at the middle.
    with np.errstate(invalid="ignore"):
        leaving = np.where(failed, (ages["lower"] + ages["upper"]) / 2.0, ages["lower"])
    leaving = np.where(np.isfinite(leaving), leaving, np.nan)
    last = data["last_day"].astype(float)
    days = np.where(failed, ages["upper"][1], ages["lower"][1]) - ages["entry"][1]
    return Lives.of(
        texts,
        entry=ages["entry"],
        leaving=leaving,
        failed=failed,
        between=failed & (ages["upper"] > ages["lower"]).any(axis=0),
        first=last - np.where(days > 0, days, np.nan) * 365.25,
        last=last,
        event=data["ended_by"],
        started=data["started_by"],
        came_back=data["came_back"].astype(bool),
    )


@dataclass(frozen=True, slots=True)
class Count:
    """Failures at one place, close together.

    Attributes:
        component, vehicle_class, vehicle, position: where.
        events, days: of the failures, first to last.
        km: distance over which they came.
        since: the day from which they are counted.
        expected: failures by the short end of the trade range.
        chance: of so many if it were that.
    """

    component: str
    vehicle_class: str
    vehicle: str
    position: str
    events: tuple[str, ...]
    days: tuple[date, ...]
    km: float
    since: date
    expected: float
    chance: float

    @property
    def months(self) -> int:
        """Return in how many months they came."""
        return max(round((self.days[-1] - self.since).days / (365.25 / 12.0)), 1)


#: Fewer failures than these, or a likelier count, are nothing to look for a cause of.
LEAST, UNLIKELY = 3, 1e-3
# A typical life is the middle one: half have failed by then.
_HALF = 0.6931471805599453


def counts(view: LedgerView) -> list[Count]:
    """Return the places where parts failed more often than the trade range allows.

    By the short end of the range as the middle life; a part whose fitting is on record has the
    hazard of wear (shape 1.5, less than most parts have), one of unknown age a constant one.
    """
    places: dict[tuple[str, str, str, str], list[tuple[str, date, float, bool]]] = {}
    start: dict[str, tuple[date, float]] = {}
    for component, kind, vehicle, position, event, day, km, failed, came, came_km in view.sql(
        """SELECT r.component, v.vehicle_class, r.vehicle_id, coalesce(r.position, ''), r.event_id,
                  r.occurred_on, r.true_km,
                  r.reason IN ('failed', 'worn_out') AND r.along_with IS NULL,
                  v.enrolled_on, v.enrolment_km
           FROM replacements AS r JOIN vehicles AS v USING (vehicle_id)
           WHERE r.true_km IS NOT NULL AND r.occurred_on IS NOT NULL
           ORDER BY r.occurred_at, r.seq"""
    ).rows:
        key = (component, kind or "", vehicle, position)
        places.setdefault(key, []).append((event, day, float(km), bool(failed)))
        if came is not None and came_km is not None:
            start[vehicle] = (came, float(came_km))
    found = []
    for key, changes in places.items():
        part = catalogue().find(key[0])
        if part is None or part.life_miles is None or len(changes) < LEAST:
            continue
        best = _closest(key, changes, start.get(key[2]), part.life_miles[0] * KM_PER_MILE)
        if best is not None:
            found.append(best)
    return found


def _closest(
    key: tuple[str, str, str, str],
    changes: list[tuple[str, date, float, bool]],
    start: tuple[date, float] | None,
    life: float,
) -> Count | None:
    """Return the least likely row of failures up to the last, None where none is unlikely."""
    part = catalogue().find(key[0])
    shape = 1.5 if part is not None and part.wear_type != "random" else 1.0
    last = max((i for i, change in enumerate(changes) if change[3]), default=-1)
    best: Count | None = None
    expected, events, days = 0.0, [], []
    for i in range(last, -1, -1):
        event, day, km, failed = changes[i]
        if failed:
            events.append(event)
            days.append(day)
        before = changes[i - 1][1:3] if i else start
        if before is None or km < before[1]:
            break
        lived = (km - before[1]) / life
        expected += _HALF * (lived**shape if i else lived)
        chance = float(gammainc(len(events), max(expected, 1e-12))) if events else 1.0
        unlikely = len(events) >= LEAST and chance < UNLIKELY
        if unlikely and (best is None or chance < best.chance):
            best = Count(
                *key, tuple(events[::-1]), tuple(days[::-1]), changes[last][2] - before[1],
                before[0], expected, chance,
            )  # fmt: skip
    return best


@dataclass(frozen=True, slots=True)
class Failure:
    """One failure: the event that ended or found it, the vehicle, the day, the part."""

    event: str
    vehicle: str
    day: date | None
    part_number: str
    in_warranty: bool
    came_back: bool


@dataclass(frozen=True, eq=False)
class Facts:
    """What rows need beside the lives: prices, and which failures a warranty covered."""

    prices: Prices
    covered: Callable[[tuple[str | None, str | None]], bool]

    @classmethod
    def load(cls, view: LedgerView) -> "Facts":
        """Read both."""
        from roadworn_plugins.warranty_recovery import within_warranty  # needed for rows alone

        return cls(Prices.load(view), within_warranty(view))

    def failures(self, lives: Lives, rows: list[int]) -> list[Failure]:
        """Return the failures of some lives, earliest first."""
        found = []
        for row in rows:
            last = lives.last[row]
            event = lives.event[row]
            day = date(1970, 1, 1) + timedelta(days=round(last)) if last == last else None
            found.append(
                Failure(
                    event or "", lives.name("vehicle", row), day, lives.name("number", row),
                    self.covered((lives.started[row], event)), bool(lives.came_back[row]),
                )
            )  # fmt: skip
        return sorted(found, key=lambda one: (one.day or date.max, one.event))


_FEW = 5


def where(family: str, label: tuple[str, ...]) -> str:
    """Say where it is: vehicle and position, class, origin, or everywhere.

    Args:
        family: what was compared.
        label: its component first.
    """
    if family in ("place", "comebacks"):
        return Joined((label[1], PlaceName(label[2], label[0])), " ")
    return Joined(label[1:]) or say("everywhere")


def against(
    family: str,
    failures: list[Failure],
    others: int,
    late_share: float,
    between: float,
    no_calendar: bool,
) -> str:
    """Say what speaks against it, or that nothing on record does.

    Args:
        family: what was compared.
        failures: of it.
        others: failures that the expectation rests on.
        late_share: share of its lives that came under observation late.
        between: share of its failures that are only known to lie between two looks.
        no_calendar: whether the ages of its failures are unknown by calendar.
    """
    back = sum(failure.came_back for failure in failures)
    doubts = (
        say.when(len(failures) < _FEW, "few", n=len(failures)),
        *(_lopsided(family, failures) if failures else ()),
        say.when(others < _FEW, "few-others", n=others),
        say.when(back * 2 > len(failures) and "comebacks" not in family, "comebacks", n=back),
        say.when(late_share > 0.5, "late", share=late_share),
        say.when(between > 0.5, "between"),
        say.when(no_calendar, "no-calendar"),
        say.when(family in OF_PLACES, "vehicle-itself"),
        say.when(family.endswith("since"), "how-recorded"),
    )
    return Joined(doubts, "; ") or say("no-doubt")


def _lopsided(family: str, failures: list[Failure]) -> tuple[str, ...]:
    """Say when one vehicle or one part number makes up most of the failures."""
    if family in (*OF_PLACES, "vehicle", "vehicle since"):
        return ()
    number, of_number = _commonest([failure.part_number for failure in failures])
    vehicle, on_vehicle = _commonest([failure.vehicle for failure in failures])
    every = len(failures)
    most_on = "one-vehicle" if on_vehicle == every else "mostly-on"
    return (
        say.when(
            family in ("supplier", *BATCHES) and number and of_number * 2 > every,
            "one-number",
            n=of_number,
            number=number,
        ),
        say.when(on_vehicle * 2 > every, most_on, vehicle=vehicle),
    )


def _commonest(names: list[str]) -> tuple[str, int]:
    name = max(sorted(set(names)), key=names.count)
    return name, names.count(name)


def named(component: str) -> str:
    """Return the name of a component, or that all are meant."""
    return part_name(component) if component else say("all-parts")


def why_count(one: Count, unit: Unit) -> Sentence:
    """Say why a plain count is listed, its distance in this unit."""
    return say(
        "why-count",
        part=part_name(one.component),
        n=len(one.events),
        months=one.months,
        distance=float(shown_distance(one.km / 1000.0, unit)),
        unit=unit,
        expected=one.expected,
        p=one.chance,
    )
