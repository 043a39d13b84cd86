"""Why a row is listed and what speaks against it, in plain sentences."""

from dataclasses import dataclass
from datetime import date

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue
from roadworn_plugins.repeats.along_time import Trend
from roadworn_plugins.repeats.levels import Label, Level
from roadworn_plugins.shared.grouped import NOT_RECORDED
from roadworn_plugins.shared.prices import Prices
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
        return f"{label[2]} {label[3]}".strip()
    return ", ".join(cell for cell in label[1:] if cell != NOT_RECORDED)


def why(level: Level, i: int, failures: list[Failure], trend: Trend | None, alone: bool) -> str:
    """Say why it is on the list."""
    label = level.labels[level.excess.group[i]]
    count, expected = int(level.excess.observed[i]), level.excess.expected[i]
    others = {
        "place": "the same part elsewhere on "
        + ("all other vehicles" if alone else f"vehicles of the class {label[1]}"),
        "class": "the same part on all other classes",
        "supplier": "the same part from anybody else on the same classes",
        "part": "the same part from anybody else on the same classes",
    }[level.name]
    name = catalogue().name_of(label[0])
    said = f"{name}: failed {count} times where {expected:.1f} would be usual for {others}"
    covered = sum(failure.in_warranty for failure in failures)
    if covered:
        said += f"; {covered} of them within the part's own warranty"
    if trend is not None and trend.words.startswith("getting"):
        said += (
            f"; {trend.words}: {trend.later} since {trend.since} where its use gives "
            f"{trend.expected:.1f} (chance {trend.p:.2g})"
        )
    return said + "."


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
    excess, doubts = level.excess, []
    observed = float(excess.observed[i])
    if observed < _FEW:
        doubts.append(f"only {int(observed)} failures")
    doubts += _lopsided(level.name, failures)
    if excess.others[i] < _FEW:
        doubts.append(f"the others had only {int(excess.others[i])} failures to compare with")
    if late_share > 0.5:
        doubts.append(
            f"recording started late: {late_share:.0%} of these parts came with distance on them"
        )
    if between > 0.5:
        doubts.append("most failures were found at look-overs, so their age is not exact")
    if by_time is None:
        doubts.append("ages by calendar are unknown, so only the distance was tried")
    elif observed / by_time[0] < 0.6 * observed / excess.expected[i]:
        doubts.append(
            f"by calendar age {by_time[0]:.1f} would be usual, so part of it goes by time"
        )
    if level.name == "place":
        doubts.append("a cause on the vehicle itself would look the same")
    return "; ".join(doubts) if doubts else "nothing in the record"


def _lopsided(level: str, failures: list[Failure]) -> list[str]:
    """Say when one vehicle or one part number makes up most of the failures."""
    doubts: list[str] = []
    if level == "place" or not failures:
        return doubts
    if level == "supplier":
        number, times = _commonest([failure.part_number for failure in failures])
        if times * 2 > len(failures):
            doubts.append(f"{times} of them are one part number, {number}")
    vehicle, times = _commonest([failure.vehicle for failure in failures])
    if times == len(failures):
        doubts.append(f"all on one vehicle, {vehicle}")
    elif times * 2 > len(failures):
        doubts.append(f"most of them on {vehicle} alone")
    return doubts


def _commonest(names: list[str]) -> tuple[str, int]:
    name = max(sorted(set(names)), key=names.count)
    return name, names.count(name)
