"""What is said of a row: why it is listed, and what speaks against it."""

from dataclasses import dataclass
from datetime import date

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, PlaceName, Says, Sentence
from roadworn_plugins.repeats.levels import Label, Level
from roadworn_plugins.shared.grouped import NOT_RECORDED
from roadworn_plugins.shared.prices import Prices
from roadworn_plugins.warranty_recovery import within_warranty

say = Says(
    "repeat-failures",
    {
        "shape-doubt": "{part}: the lives on {classes} classes speak against one common shape "
        "(chance {p:.2g}), so what is expected at an age is less sure than the limits say.",
        "none": "No part life with a failure is on record yet, so nothing can keep failing.",
        "record": "Record replacements with their reason and odometer reading.",
        "alone": "Nothing can be compared yet: no part has others of its kind on other vehicles.",
        "chance": "Nothing fails more often than chance allows, of {n} comparisons made.",
        "headline": "{n} of {every} comparisons stand out; first {part} ({where}): {failed} "
        "failed where {expected} were expected.",
        "why": "{part}: failed {n} times where {expected:.1f} would be usual for {others}"
        "{in_warranty}{trend}.",
        "others-place": "the same part elsewhere on vehicles of the class {vehicle_class}",
        "others-alone": "the same part elsewhere on all other vehicles",
        "others-class": "the same part on all other classes",
        "others-origin": "the same part from anybody else on the same classes",
        "in-warranty": "; {n} of them within the part's own warranty",
        "trend": "; {trend}: {later} since {since} where its use gives {expected:.1f} (chance "
        "{p:.2g})",
        "few": "only {n} failures",
        "one-number": "{n} of them are one part number, {number}",
        "one-vehicle": "all on one vehicle, {vehicle}",
        "mostly-on": "most of them on {vehicle} alone",
        "few-others": "the others had only {n} failures to compare with",
        "late": "recording started late: {share:.0%} of these parts came with distance on them",
        "between": "most failures were found at look-overs, so their age is not exact",
        "no-calendar": "ages by calendar are unknown, so only the distance was tried",
        "partly-time": "by calendar age {usual:.1f} would be usual, so part of it goes by time",
        "vehicle-itself": "a cause on the vehicle itself would look the same",
        "no-doubt": "nothing in the record",
        "chart": "{name}: {failed} failed where {expected:.1f} would be usual",
        "curve": "{name}: {came:.0f} by {day}{missing}, {usual:.1f} would be usual",
        "without-day": " ({n} more without a day)",
        "by-time": "Not listed: {part} ({where}) failed {failed} times where its distance gives "
        "{expected}, but by calendar age {by_time:.1f} would be usual: it goes by time.",
        "compared": "{n} comparisons were made; of the rows listed, about {share:.0%} may be "
        "chance.",
        "unrecorded": "A failure that nobody recorded, or recorded without its reason, is not "
        "counted.",
        "left-out": "{n} stays of a part were left out, mostly for an unknown start.",
        "not-shown": "{n} more rows are not shown; raise most.",
    },
)


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


_FEW = 5


def where(level: str, label: Label) -> Joined:
    """Say where it is: vehicle and position, class, or origin."""
    if level == "place":
        return Joined((label[2], PlaceName(label[3], label[0])), " ")
    return Joined(cell for cell in label[1:] if cell != NOT_RECORDED)


def why(level: Level, i: int, failures: list[Failure], trend: str, alone: bool) -> Sentence:
    """Say why it is on the list.

    Args:
        level: the comparisons of one level.
        i: which of them.
        failures: behind the row.
        trend: what is said of a change, or an empty text.
        alone: whether a place has no other vehicle of its class to be compared with.
    """
    label = level.labels[level.excess.group[i]]
    others = level.name if level.name in ("place", "class") else "origin"
    return say(
        "why",
        part=part_name(label[0]),
        n=int(level.excess.observed[i]),
        expected=float(level.excess.expected[i]),
        others=say(f"others-{'alone' if alone else others}", vehicle_class=label[1]),
        in_warranty=say.some(sum(failure.in_warranty for failure in failures), "in-warranty"),
        trend=trend,
    )


def against(
    level: Level,
    i: int,
    failures: list[Failure],
    late_share: float,
    usual: float | None,
    between: float,
) -> str:
    """Say what speaks against it, or that nothing on record does.

    Args:
        level: the comparisons of one level.
        i: which of them.
        failures: behind the row.
        late_share: share of its lives that came under observation late.
        usual: expected failures on the calendar clock, None where unknown.
        between: share of its failures that are only known to lie between two looks.
    """
    observed, others = int(level.excess.observed[i]), int(level.excess.others[i])
    partly = usual is not None and observed / usual < 0.6 * observed / level.excess.expected[i]
    doubts = (
        say.when(observed < _FEW, "few", n=observed),
        *(_lopsided(level.name, failures) if failures else ()),
        say.when(others < _FEW, "few-others", n=others),
        say.when(late_share > 0.5, "late", share=late_share),
        say.when(between > 0.5, "between"),
        say.when(usual is None, "no-calendar"),
        say.when(partly, "partly-time", usual=usual),
        say.when(level.name == "place", "vehicle-itself"),
    )
    return Joined(doubts, "; ") or say("no-doubt")


def _lopsided(level: str, failures: list[Failure]) -> tuple[str, ...]:
    """Say when one vehicle or one part number makes up most of the failures."""
    if level == "place":
        return ()
    number, of_number = _commonest([failure.part_number for failure in failures])
    vehicle, on_vehicle = _commonest([failure.vehicle for failure in failures])
    every = len(failures)
    most_on = "one-vehicle" if on_vehicle == every else "mostly-on"
    return (
        say.when(
            level == "supplier" and of_number * 2 > every, "one-number", n=of_number, number=number
        ),
        say.when(on_vehicle * 2 > every, most_on, vehicle=vehicle),
    )


def _commonest(names: list[str]) -> tuple[str, int]:
    name = max(sorted(set(names)), key=names.count)
    return name, names.count(name)
