"""What is odd in an imported row but can be: said, kept, and no hindrance.

Typed input says the same after it has written (`roadworn_cli.record.remarks`). What a payload
alone tells is found where payloads are validated, once for all that say the same; what hangs on
the vehicle's profile is found where rows are added.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import lru_cache, partial
from typing import Any, NamedTuple

import orjson

from roadworn.checks.context import LedgerContext, RoadReading
from roadworn.checks.identity import (
    FIRST_YEAR,
    beyond_digits,
    far_days,
    identity_doubts,
    shared_vin,
    unlikely_day,
)
from roadworn.checks.measured import doubts
from roadworn.checks.private import PRIVATE, looks_private
from roadworn.checks.readings import MOST_KM, ROLLED, reading_doubt
from roadworn.checks.recent import MOST_KM_PER_DAY, LastReading
from roadworn.model.events import utc_now
from roadworn.model.messages import Problem
from roadworn.model.units import KM_PER_MILE, convert
from roadworn.trade.limits import SHEETS, Sheet, load_sheet
from roadworn.trade.weight import weigh

_VEHICLE, _KIND, _OCCURRED, _ODOMETER, _UNIT, _PAYLOAD = 1, 2, 4, 8, 9, 10


class ReadingLook:
    """The readings of one file."""

    def __init__(self, context: LedgerContext, before: int) -> None:
        """Begin with a file; `before` is the number of the ledger's last event."""
        self._context = context
        self._before = before
        # What each vehicle showed first and last: day or moment, km.
        self._last: dict[str, tuple[str, float]] = {}
        self._first: dict[str, tuple[str, float]] = {}
        self._doubtful: set[str] = set()

    def see(self, rows: Sequence[tuple[Any, ...]], start: int, stop: int) -> None:
        """Look at rows from `start` to before `stop`, which were added."""
        last, miles, most = self._last, KM_PER_MILE, MOST_KM_PER_DAY
        for index in range(start, stop):
            row = rows[index]
            km = row[_ODOMETER]
            if km is None:
                if row[_KIND] == "odometer_exchange":
                    self._doubtful.add(row[_VEHICLE])
                continue
            if row[_UNIT] == "mi":
                km *= miles
            vehicle, on = row[_VEHICLE], row[_OCCURRED]
            known = last.get(vehicle)
            if known is None:
                self._first[vehicle] = (on, km)
                if km > MOST_KM:
                    self._doubtful.add(vehicle)
            elif not (known[0] <= on and 0 <= km - known[1] <= most):
                self._doubtful.add(vehicle)
            last[vehicle] = (on, km)

    def doubts(self, digits: Callable[[str], int | None]) -> Iterator[tuple[int, Problem]]:
        """Yield (number of an event of this file, doubt) once all of the file's rows were seen.

        Args:
            digits: looks up how many digits a vehicle's odometer has.
        """
        for vehicle, reading in self._context.readings_before(self._first, self._before):
            on, km = self._first[vehicle]
            gone = km - convert(reading.value, reading.unit, "km")
            if not (reading.occurred_at <= on and 0 <= gone <= MOST_KM_PER_DAY):
                self._doubtful.add(vehicle)
        series: list[RoadReading] = []
        for reading_of in self._context.readings_of(self._doubtful):
            if series and series[0].vehicle_id != reading_of.vehicle_id:
                yield from self._gone_through(series, digits)
                series = []
            series.append(reading_of)
        yield from self._gone_through(series, digits)

    def _gone_through(
        self, series: Sequence[RoadReading], digits: Callable[[str], int | None]
    ) -> Iterator[tuple[int, Problem]]:
        """Yield what is odd about one vehicle's readings, in the order of the road.

        A doubtful figure is left aside, so that one slip does not make the next one doubtful;
        one that follows it all the same shows that it was none.
        """
        last: LastReading | None = None
        aside: LastReading | None = None
        for own in series:
            shown = partial(digits, own.vehicle_id)
            doubt = reading_doubt(own.value, own.unit, own.occurred_at, last, shown)
            agrees = aside is not None and (
                reading_doubt(own.value, own.unit, own.occurred_at, aside) is None
            )
            follows = LastReading(own.next_value, own.unit, own.occurred_at)
            if doubt is None or doubt.code == ROLLED or agrees or own.exchanged:
                # A new instrument counts from its own figure, whatever the old one showed.
                last, aside = follows, None
            else:
                aside = follows
            if doubt is not None and not agrees and own.seq > self._before:
                yield own.seq, doubt


#: Fields of payloads that a person writes freely.
TEXTS = ("note", "complaint", "cause", "correction", "label")
DAYS = ("due_date", "valid_until", "in_service_date")
PROFILE_KINDS = frozenset({"enrolment", "profile_change"})
#: A condition that its figure can be worse than.
_CAN_BE_WORSE = frozenset({"sound", "wearing"})
#: Sheet whose limits figures are held against when the look-over names none of ours.
_DEFAULT_SHEET = "light_vehicle"
_NO_LIMIT = 1e12


def payload_doubts(kind: str, payload: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield what is odd in a valid payload by itself.

    Args:
        kind: name of its kind.
        payload: as it is to be stored.
    """
    for field in TEXTS:
        text = payload.get(field)
        if type(text) is str and looks_private(text):
            yield _private(f"payload.{field}")
    if kind == "inspection":
        yield from _finding_doubts(payload)
    yield from far_days(payload, utc_now())


def may_be_odd(payload: Mapping[str, Any]) -> bool:
    """Return whether findings hold something for `payload_doubts` to look at: most do not."""
    measured = measured_components(payload.get("sheet") or "")
    for finding in payload["findings"]:
        if "note" in finding:
            return True
        can_be = finding["measurements"] and finding["condition"] in _CAN_BE_WORSE
        if can_be and finding["component"] in measured:
            return True
    return False


@lru_cache(100)
def measured_components(sheet: str) -> frozenset[str]:
    """Return the components that a sheet has limits for; the usual sheet when it is not ours."""
    return frozenset(item.component for item in _sheet(sheet).items if item.measurement)


@lru_cache(100)
def _sheet(name: str) -> Sheet:
    return load_sheet(name if name in SHEETS.names() else _DEFAULT_SHEET)


def _finding_doubts(payload: Mapping[str, Any]) -> Iterator[Problem]:
    sheet = payload.get("sheet") or ""
    measured = measured_components(sheet)
    for at, finding in enumerate(payload.get("findings") or ()):
        note = finding.get("note")
        if note and looks_private(note):
            yield _private(f"payload.findings[{at}].note")
        if not finding.get("measurements") or finding["component"] not in measured:
            continue
        for told in doubts(_sheet(sheet), [finding]):
            hint = "look at the figure, its unit and the condition again"
            yield Problem("worse-than-said", told, hint, column=f"payload.findings[{at}]")


def _private(column: str) -> Problem:
    message, _, hint = PRIVATE.partition(": ")
    return Problem("private", f"{message}.", hint, column=column)


class _Limits(NamedTuple):
    """From where on a vehicle's rows are worth a second look."""

    first_day: str
    beyond: float


class ProfileLook:
    """Rows of an import held against the profiles of their vehicles.

    Enrolments are looked up by their index. Changes of profile have none: those of the file are
    seen as they pass, and those of the ledger are only read before something is said.
    """

    def __init__(self, context: LedgerContext) -> None:
        self._context = context
        self._limits: dict[str, _Limits] = {}
        self._changes: dict[str, list[dict[str, Any]]] = {}
        self._vins: dict[str, set[str]] | None = None
        self._read = False
        self._today = utc_now()[:10]

    def doubts(
        self, rows: Sequence[tuple[Any, ...]], start: int, stop: int
    ) -> Iterator[tuple[int, Problem]]:
        """Yield (index, doubt) for those rows from `start` to before `stop`, which were added."""
        limits = self._limits
        for index in range(start, stop):
            row = rows[index]
            vehicle = row[_VEHICLE]
            known = limits.get(vehicle)
            if row[_KIND] in PROFILE_KINDS or known is None:
                if row[_KIND] == "profile_change":
                    self._changes.setdefault(vehicle, []).append(orjson.loads(row[_PAYLOAD]))
                profile = self._profile(vehicle)
                known = limits[vehicle] = _limits(profile)
                if row[_KIND] in PROFILE_KINDS:
                    yield from self._identity(index, row, profile)
            odometer = row[_ODOMETER]
            if row[_OCCURRED] < known.first_day or (
                odometer is not None and odometer >= known.beyond
            ):
                yield from self._row(index, row)

    def digits(self, vehicle: str) -> int | None:
        """Return how many digits a vehicle's odometer has, by the whole ledger, or None."""
        if not self._read:
            self._read_changes()
        found: int | None = self._profile(vehicle).get("odometer_digits")
        return found

    def _row(self, index: int, row: tuple[Any, ...]) -> Iterator[tuple[int, Problem]]:
        if not self._read:
            self._read_changes()
        profile = self._profile(row[_VEHICLE])
        self._limits[row[_VEHICLE]] = _limits(profile)
        day = unlikely_day(row[_OCCURRED][:10], profile, self._today)
        if day is not None:
            yield index, day
        if row[_ODOMETER] is not None:
            figure = beyond_digits(row[_ODOMETER], row[_UNIT], profile.get("odometer_digits"))
            if figure is not None:
                yield index, figure

    def _identity(
        self, index: int, row: tuple[Any, ...], profile: dict[str, Any]
    ) -> Iterator[tuple[int, Problem]]:
        said = orjson.loads(row[_PAYLOAD])
        if said.get("vin"):
            doubt = self._shared(row[_VEHICLE], said["vin"])
            if doubt is not None:
                column = f"payload.{doubt.column}"
                yield index, Problem(doubt.code, doubt.message, doubt.hint, column=column)
        if said.get("weight_class"):
            told = weigh(profile)
            if told.what:
                column = "payload.weight_class"
                yield index, Problem("weight", f"{told.what}.", told.remedy, column=column)
        if said.get("vin") or said.get("model_year"):
            for doubt in identity_doubts(profile.get("vin"), profile.get("model_year")):
                field = doubt.column if said.get(doubt.column) else "vin"
                column = f"payload.{field if said.get(field) else 'model_year'}"
                yield index, Problem(doubt.code, doubt.message, doubt.hint, column=column)

    def _shared(self, vehicle: str, vin: str) -> Problem | None:
        """Return a doubt about a VIN that another vehicle was enrolled with, here or before."""
        if self._vins is None:
            self._vins = {}
            for other, known in self._context.enrolled_vins():
                self._vins.setdefault(known.upper(), set()).add(other)
        holders = self._vins.setdefault(vin.upper(), set())
        holders.add(vehicle)
        return shared_vin(vin, holders - {vehicle})

    def _profile(self, vehicle: str) -> dict[str, Any]:
        """Return the profile of a vehicle as far as it was read, the latest word for each field."""
        found: dict[str, Any] = {}
        for said in (*self._context.enrolments(vehicle), *self._changes.get(vehicle, ())):
            found |= {name: value for name, value in said.items() if value is not None}
        return found

    def _read_changes(self) -> None:
        """Read all changes of profile, those of the file too: it is in the same transaction."""
        self._read = True
        self._changes.clear()
        for vehicle, payload in self._context.profile_changes():
            self._changes.setdefault(vehicle, []).append(payload)


def _limits(profile: Mapping[str, Any]) -> _Limits:
    year, digits = profile.get("model_year"), profile.get("odometer_digits")
    first = str(year - 1) if year else str(FIRST_YEAR)
    return _Limits(
        max(first, profile.get("in_service_date") or "", str(FIRST_YEAR)),
        10.0**digits if digits else _NO_LIMIT,
    )
