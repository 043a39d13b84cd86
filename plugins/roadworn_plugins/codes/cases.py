"""What was done about a trouble code, and whether it stayed away: one case for each attempt.

A case begins with the last scan that showed the code before somebody worked on the vehicle.
It ends well when a later scan, far enough on the road after the work, read the same module
without the code; it ends badly when a later scan shows the code again; until then nobody
knows. A scan right after codes were cleared proves nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Annotated, Literal

from pydantic import Field

from roadworn.analysis import Settings
from roadworn.columns.view import LedgerView
from roadworn.model.errors import UsageError
from roadworn.trade.codes import decode_code
from roadworn_plugins.shared.settings import MostRows

Ending = Literal["stayed away", "came back", "not known"]
#: Without a reading, so many days on the road stand for the distance (common practice, no source).
_DAYS_FOR_DISTANCE = 14


class CodeOutcomesSettings(Settings):
    """Which codes, and what counts as following and as proof."""

    vehicle: Annotated[str | None, Field(description="codes on this vehicle now, its class")] = None
    code: Annotated[str | None, Field(description="only this code")] = None
    related_only: Annotated[
        bool, Field(description="only work on the systems that the code points into")
    ] = True
    work_days: Annotated[int, Field(ge=0, description="later work was not for the code")] = 60
    work_km: Annotated[float, Field(gt=0, description="the same by distance, in km")] = 5_000.0
    proof_km: Annotated[
        float, Field(ge=0, description="a scan nearer to the work than this proves nothing, in km")
    ] = 150.0
    follow_days: Annotated[int, Field(ge=1, description="later it is a new fault")] = 365
    follow_km: Annotated[float, Field(gt=0, description="the same by distance, in km")] = 25_000.0
    along: Annotated[
        bool, Field(description="list parts too that were only ever done along with others")
    ] = False
    least: Annotated[int, Field(ge=1, description="fewer known endings are not listed")] = 1
    most: MostRows = 60


@dataclass(frozen=True, slots=True)
class Case:
    """One attempt on one code.

    Attributes:
        code, vehicle, vehicle_class: what and where.
        components: what was worked on, sorted; empty when nothing was.
        ending: how it went.
        events: ids of the scan, the work, and the scan that decided.
    """

    code: str
    vehicle: str
    vehicle_class: str
    components: tuple[str, ...]
    ending: Ending
    events: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Moment:
    on: date
    seq: int
    km: float | None
    event: str

    @property
    def order(self) -> tuple[date, int]:
        return (self.on, self.seq)

    def within(self, start: "_Moment", days: int, km: float) -> bool:
        """Whether it follows a moment in so many days and so much distance."""
        if (self.on - start.on).days > days:
            return False
        return start.km is None or self.km is None or self.km - start.km <= km

    def proves(self, start: "_Moment", km: float) -> bool:
        """Whether it is far enough on the road after a moment."""
        if start.km is None or self.km is None:
            return (self.on - start.on).days >= _DAYS_FOR_DISTANCE
        return self.km - start.km >= km


@dataclass(frozen=True, slots=True)
class _Work(_Moment):
    component: str


@dataclass(frozen=True, slots=True)
class _Read(_Moment):
    """A scan that read the module; `codes` maps each code to the lists it stood in."""

    codes: Mapping[str, frozenset[str]]

    def begins(self, code: str, before: "_Read | None") -> bool:
        """Whether there is something to work on: stored, or permanent and not seen `before`."""
        lists = self.codes.get(code, frozenset())
        seen = before is not None and code in before.codes
        return "stored" in lists or ("permanent" in lists and not seen)

    def shows(self, code: str) -> bool:
        """Whether the fault is there; a permanent code alone may only wait for its proof."""
        return bool(self.codes.get(code, frozenset()) - {"permanent"})


def load_cases(view: LedgerView, settings: CodeOutcomesSettings) -> list[Case]:
    """Return every attempt on every stored or permanent code, in order of vehicle and code."""
    classes: dict[str, str] = dict(view.sql("SELECT vehicle_id, vehicle_class FROM vehicles").rows)
    work = _work(view)
    cases = []
    for (vehicle, _module), reads in sorted(_reads(view).items()):
        for code in sorted({c for read in reads for c in read.codes}):
            kind = classes.get(vehicle, "unclassed")
            cases += _cases(code, vehicle, kind, reads, work.get(vehicle, ()), settings)
    return cases


@cache
def related(code: str) -> frozenset[str] | None:
    """Return the systems a code points into, or None when nobody says."""
    try:
        points_to = decode_code(code).points_to
    except UsageError:
        return None  # a heavy vehicle's parameter number
    return frozenset(part.partition(".")[0] for part in points_to) or None


def _reads(view: LedgerView) -> Mapping[tuple[str, str], list[_Read]]:
    codes: dict[tuple[int, str], dict[str, frozenset[str]]] = {}
    # A fault that was active once and is not now stands in its scan as a code that is gone.
    for seq, module, code, state in view.sql(
        "SELECT seq, module, code, status FROM codes WHERE status <> 'previous'"
    ).rows:
        here = codes.setdefault((seq, module), {})
        here[code] = here.get(code, frozenset()) | {state}
    found: dict[tuple[str, str], list[_Read]] = {}
    for vehicle, module, on, seq, km, event in view.sql(
        """SELECT vehicle_id, module, occurred_on, seq, true_km, event_id FROM scans
           WHERE active_read
             AND (vehicle_id, module) IN (SELECT (vehicle_id, module) FROM codes)
           ORDER BY vehicle_id, module, occurred_on, seq"""
    ).rows:
        read = _Read(on, seq, km, event, codes.get((seq, module), {}))
        found.setdefault((vehicle, module), []).append(read)
    return found


def _work(view: LedgerView) -> Mapping[str, list[_Work]]:
    found: dict[str, list[_Work]] = {}
    for vehicle, *work in view.sql(
        """SELECT vehicle_id, occurred_on, seq, true_km, event_id, component FROM (
             SELECT vehicle_id, component, occurred_on, seq, true_km, event_id FROM replacements
             UNION ALL
             SELECT vehicle_id, component, occurred_on, seq, true_km, event_id FROM repairs)
           WHERE vehicle_id IN (SELECT vehicle_id FROM codes)
           ORDER BY vehicle_id, occurred_on, seq"""
    ).rows:
        found.setdefault(vehicle, []).append(_Work(*work))
    return found


def _cases(
    code: str,
    vehicle: str,
    vehicle_class: str,
    reads: Sequence[_Read],
    work: Iterable[_Work],
    settings: CodeOutcomesSettings,
) -> list[Case]:
    systems = related(code) if settings.related_only else None
    relevant = [w for w in work if systems is None or w.component.partition(".")[0] in systems]
    found = []
    for i, read in enumerate(reads):
        if not read.begins(code, reads[i - 1] if i else None):
            continue
        shown_again = next((r.order for r in reads[i + 1 :] if r.shows(code)), None)
        done = [
            w
            for w in relevant
            if read.order < w.order
            and (shown_again is None or w.order < shown_again)
            and w.within(read, settings.work_days, settings.work_km)
        ]
        last = done[-1] if done else read
        ending, decided = _ending(code, last, reads[i + 1 :], settings)
        events = [read.event, *(w.event for w in done), decided]
        found.append(
            Case(
                code,
                vehicle,
                vehicle_class,
                tuple(sorted({w.component for w in done})),
                ending,
                tuple(dict.fromkeys(filter(None, events))),
            )
        )
    return found


def _ending(
    code: str, last: _Moment, later: Sequence[_Read], settings: CodeOutcomesSettings
) -> tuple[Ending, str]:
    """Return how an attempt went and the scan that says so."""
    proof = ""
    for read in later:
        # A scan of the same day may have been taken before the work and written down after it.
        if read.on <= last.on:
            continue
        if not read.within(last, settings.follow_days, settings.follow_km):
            break
        if read.shows(code):
            return "came back", read.event
        if code in read.codes:
            # Permanent codes outlive a clearing until the vehicle has proved the repair itself
            # (SAE J1979 service 0A): neither back nor proved.
            continue
        if read.proves(last, settings.proof_km):
            proof = read.event
    return ("stayed away", proof) if proof else ("not known", "")
