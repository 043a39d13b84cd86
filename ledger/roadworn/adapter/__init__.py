"""The optional reader for a diagnostic adapter on the vehicle's socket.

It reads what `record scan` would otherwise be told by hand: who answers, lamp, readiness, the
three lists of codes, the VIN, distance since clear and, where offered, the odometer. It only
reads: `ALLOWED` holds every command it can send, and clearing codes is not among them.

A port is ``socket://HOST:PORT`` or a serial device; the latter needs the extra
``roadworn[adapter]``. Modules, from the wire upwards: `channel`, `framing`, `assemble`, `reader`.
"""

from roadworn.adapter.reader import Timing, read_scan
from roadworn.adapter.result import AdapterScan, ModuleRead

__all__ = ["AdapterScan", "ModuleRead", "Timing", "read_scan"]
