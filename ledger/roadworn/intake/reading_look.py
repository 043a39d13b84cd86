"""Odometer figures of an import held against the readings of their vehicles, as typed ones are.

Almost every figure of a file follows the one before it: that is seen in passing, with one look
at a dictionary. Only vehicles with one that does not are gone through at the end of the file, in
the order of the road, with what the ledger had of them.
"""

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any

from roadworn.bench.reading_doubts import MOST_KM, ROLLED, reading_doubt
from roadworn.intake.context import LedgerContext, RoadReading
from roadworn.problems import Problem
from roadworn.recent import MOST_KM_PER_DAY, LastReading
from roadworn.units import KM_PER_MILE, convert

_VEHICLE, _KIND, _OCCURRED, _ODOMETER, _UNIT = 1, 2, 4, 8, 9


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
