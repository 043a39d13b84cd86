"""Why a row is listed and what speaks against it, in plain sentences."""

from dataclasses import dataclass
from datetime import date

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Sentence
from roadworn_plugins.repeats.along_time import Trend
from roadworn_plugins.repeats.levels import Label, Level
from roadworn_plugins.shared.grouped import NOT_RECORDED
from roadworn_plugins.shared.prices import Prices
from roadworn_plugins.shared.said import if_any
from roadworn_plugins.warranty_recovery import within_warranty


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


def where(level: str, label: Label) -> str:
    """Say where it is: vehicle and position, class, or origin."""
    if level == "place":
        return Joined((label[2], label[3]), " ")
    return Joined(cell for cell in label[1:] if cell != NOT_RECORDED)


_OTHERS = {
    "place": "the same part elsewhere on vehicles of the class {vehicle_class}",
    "class": "the same part on all other classes",
    "supplier": "the same part from anybody else on the same classes",
    "part": "the same part from anybody else on the same classes",
    "alone": "the same part elsewhere on all other vehicles",
}


def why(level: Level, i: int, failures: list[Failure], trend: Trend | None, alone: bool) -> str:
    """Say why it is on the list."""
    label = level.labels[level.excess.group[i]]
    others = "alone" if alone else level.name
    return Sentence(
        "repeat-failures.why",
        "{part}: failed {n} times where {expected:.1f} would be usual for {others}{in_warranty}"
        "{trend}.",
        part=part_name(label[0]),
        n=int(level.excess.observed[i]),
        expected=float(level.excess.expected[i]),
        others=Sentence(
            f"repeat-failures.others-{others}", _OTHERS[others], vehicle_class=label[1]
        ),
        in_warranty=if_any(
            sum(failure.in_warranty for failure in failures),
            "repeat-failures.why-warranty",
            "; {n} of them within the part's own warranty",
        ),
        trend=Sentence(
            "repeat-failures.why-trend",
            "; {trend}: {later} since {since} where its use gives {expected:.1f} (chance {p:.2g})",
            trend=trend.words,
            later=trend.later,
            since=trend.since,
            expected=trend.expected,
            p=trend.p,
        )
        if trend is not None and trend.clear
        else "",
    )


def against(
    level: Level,
    i: int,
    failures: list[Failure],
    late_share: float,
    by_time: tuple[float, float] | None,
    between: float,
) -> str:
    """Say what speaks against it, or that nothing on record does.

    Args:
        level: the comparisons of one level.
        i: which of them.
        failures: behind the row.
        late_share: share of its lives that came under observation late.
        by_time: expected failures and chance on the calendar clock, None where unknown.
        between: share of its failures that are only known to lie between two looks.
    """
    excess = level.excess
    observed = int(excess.observed[i])
    others = int(excess.others[i])
    usual = None if by_time is None else by_time[0]
    doubts = [
        if_any(observed if observed < _FEW else 0, "repeat-failures.few", "only {n} failures"),
        *_lopsided(level.name, failures),
        Sentence(
            "repeat-failures.few-others",
            "the others had only {n} failures to compare with",
            n=others,
        )
        if others < _FEW
        else "",
        Sentence(
            "repeat-failures.late",
            "recording started late: {share:.0%} of these parts came with distance on them",
            share=late_share,
        )
        if late_share > 0.5
        else "",
        Sentence(
            "repeat-failures.between",
            "most failures were found at look-overs, so their age is not exact",
        )
        if between > 0.5
        else "",
    ]
    if usual is None:
        doubts.append(
            Sentence(
                "repeat-failures.no-calendar",
                "ages by calendar are unknown, so only the distance was tried",
            )
        )
    elif observed / usual < 0.6 * observed / excess.expected[i]:
        doubts.append(
            Sentence(
                "repeat-failures.partly-time",
                "by calendar age {usual:.1f} would be usual, so part of it goes by time",
                usual=usual,
            )
        )
    if level.name == "place":
        doubts.append(
            Sentence(
                "repeat-failures.vehicle-itself",
                "a cause on the vehicle itself would look the same",
            )
        )
    return Joined(doubts, "; ") or Sentence("repeat-failures.no-doubt", "nothing in the record")


def _lopsided(level: str, failures: list[Failure]) -> list[str]:
    """Say when one vehicle or one part number makes up most of the failures."""
    doubts: list[str] = []
    if level == "place" or not failures:
        return doubts
    if level == "supplier":
        number, times = _commonest([failure.part_number for failure in failures])
        if times * 2 > len(failures):
            doubts.append(
                Sentence(
                    "repeat-failures.one-number",
                    "{n} of them are one part number, {number}",
                    n=times,
                    number=number,
                )
            )
    vehicle, times = _commonest([failure.vehicle for failure in failures])
    if times == len(failures):
        doubts.append(
            Sentence(
                "repeat-failures.one-vehicle", "all on one vehicle, {vehicle}", vehicle=vehicle
            )
        )
    elif times * 2 > len(failures):
        doubts.append(
            Sentence(
                "repeat-failures.mostly-on", "most of them on {vehicle} alone", vehicle=vehicle
            )
        )
    return doubts


def _commonest(names: list[str]) -> tuple[str, int]:
    name = max(sorted(set(names)), key=names.count)
    return name, names.count(name)
