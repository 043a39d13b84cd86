"""Every command that can be sent to a vehicle; clearing its codes is not among them."""

from collections.abc import Mapping
from types import MappingProxyType

from roadworn.model.errors import UsageError

#: Settings of the adapter itself; none of them reaches the vehicle, but for the search of ATSP0
#: that the next request starts. ATZ restart, E0 no echo, L0 no line feeds, M0 keep nothing in
#: its memory, H1 show who answers, AT0 and ST96 wait 0.6 s for every module, SP0 find the line
#: by itself, DPN say which it was.
SETUP = ("ATZ", "ATE0", "ATL0", "ATM0", "ATH1", "ATAT0", "ATST96", "ATSP0", "ATDPN")


#: SAE J1979 service 01: which parameters there are, status and readiness, distance with the
#: lamp on, warm-ups, distance and minutes since codes were cleared, odometer.
CURRENT_DATA = (
    *("0100", "0120", "0140", "0160", "0180", "01A0"),
    *("0101", "0121", "0130", "0131", "014E", "01A6"),
)


#: Services 03, 07 and 0A: stored, pending and permanent codes; 09 02: the VIN.
LISTS = ("03", "07", "0A")


VIN = "0902"


# Each with the carriage return that ends it. There is no bare carriage return on purpose: an
# adapter answers it by sending its last command once more, and that may be another program's.
_WIRE: Mapping[str, bytes] = MappingProxyType(
    {command: f"{command}\r".encode("ascii") for command in (*SETUP, *CURRENT_DATA, *LISTS, VIN)}
)


ALLOWED = frozenset(_WIRE)


def wire_bytes(command: str) -> bytes:
    """Return the bytes of an allowed command, carriage return and all.

    Raises:
        UsageError: the command is not in the list; the vehicle sees nothing of it.
    """
    found = _WIRE.get(command)
    if found is None:
        raise UsageError(
            f"The adapter is only read from, so {command[:20]!r} is not sent: use one of "
            f"{', '.join((*LISTS, VIN))}, a listed parameter of service 01 or a setting."
        )
    return found
