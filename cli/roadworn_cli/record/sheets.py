"""Whose limits a look-over is judged by: the sheet that was named, or the one that fits.

A truck judged by a car's limits would be called sound where it fails, so without a name the
recorded weight class decides.
"""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from roadworn.bench.sizes import KnownSizes
from roadworn.recent import last_events
from roadworn.trade.data_file import kept
from roadworn.trade.lookover import Sheet, load_sheet
from roadworn.trade.weight import Weighed, Weight, weigh
from roadworn_cli.record.remarks import profile_of

VARIABLE = "ROADWORN_SHEET"
_BY_WEIGHT: Mapping[Weight, str] = {"heavy": "heavy_vehicle", "light": "light_vehicle"}


class Chosen(NamedTuple):
    """A sheet, and how it was come by.

    Attributes:
        sheet: to judge by.
        by_name: somebody chose it: only then is its name written down.
        doubt: why the vehicle's weight needs a word, or an empty text.
        why: what the choice rests on, in words.
    """

    sheet: Sheet
    by_name: bool
    doubt: str = ""
    why: str = ""

    @property
    def told(self) -> str:
        """Whose limits figures were judged by, in one sentence; empty where it was named."""
        return "" if self.by_name else f"Judged by the sheet {self.sheet.name}, {self.why}."


def choose_sheet(ledger: Path, vehicle_id: str, named: str) -> Chosen:
    """Return the sheet named, that of the environment, or the one for the vehicle's weight.

    Args:
        ledger: path of the ledger.
        vehicle_id: an enrolled vehicle.
        named: name or path, or an empty text.

    Raises:
        UsageError: there is no such sheet, or it cannot be used.
    """
    if named:
        return Chosen(load_sheet(named), by_name=True)
    if os.environ.get(VARIABLE):
        return Chosen(kept(VARIABLE, load_sheet, ""), by_name=True)
    weighed = weigh(profile_of(ledger, vehicle_id))
    sheet = load_sheet(_BY_WEIGHT[weighed.taken])
    return Chosen(sheet, by_name=False, doubt=weighed.doubt, why=_why(weighed))


def _why(weighed: Weighed) -> str:
    if weighed.by:
        return f"by its {weighed.by}"
    if weighed.doubt:
        return "as its weight class is not understood"
    return "as no weight class is on record"


def sizes_on_record(ledger: Path, vehicle_id: str) -> KnownSizes:
    """Return the sizes that look-overs of a vehicle said, the newest of each."""
    events = last_events(ledger, vehicle_id, "inspection")
    return KnownSizes.of_findings(
        finding for event in events for finding in event.data().get("findings", ())
    )
