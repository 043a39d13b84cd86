"""The conversation with an adapter: set it up, find the line, ask each question once or twice.

Two kinds of trouble are told apart. An adapter that is not there or falls silent ends the read
with an error and nothing is kept. A vehicle that does not answer is a result: a failed read.
"""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from roadworn.adapter.assemble import FIGURES, WORDS, Asked, assemble
from roadworn.adapter.channel import DEFAULT_BAUD, open_channel
from roadworn.adapter.framing import FORMS, NO_ANSWER, Form, read_reply
from roadworn.adapter.line import Line
from roadworn.adapter.result import AdapterScan, nobody
from roadworn.adapter.services import offered
from roadworn.model.errors import EnvironmentFailure

_WITHIN = ("ATE0", "ATL0", "ATM0", "ATAT0", "ATST96")  # better with them, possible without
_NEEDED = ("ATH1", "ATSP0")
_LINE_FOUND = re.compile(r"A?([0-9A-C])")  # A in front: found by itself
_HEAVY = "A"  # the adapter's digit for SAE J1939
_BY_HAND = "switch the ignition on, check the plug, or write the codes down by hand"
_LAST_OF_RANGE = 0xA0
_RESTARTS = 3

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Timing:
    """How long to wait, in seconds.

    Attributes:
        connect: for the port to open, and for any write.
        restart: for the adapter to start anew.
        setting: for one setting.
        search: for the line to be found; older ones take several seconds each to start.
        request: for one answer of all modules.
    """

    connect: float = 5.0
    restart: float = 6.0
    setting: float = 3.0
    search: float = 45.0
    request: float = 15.0


def read_scan(
    port: str,
    *,
    baud: int = DEFAULT_BAUD,
    timing: Timing | None = None,
    progress: Progress | None = None,
) -> AdapterScan:
    """Read a vehicle through an adapter.

    Args:
        port: ``socket://HOST:PORT``, or the name of a serial device.
        baud: speed of a serial device in bits per second.
        timing: how long to wait; every wait has an end.
        progress: called with a word on what is being read.

    Returns:
        What was read, and what was not; `AdapterScan.failed` when the vehicle gave no list of
        stored codes at all.

    Raises:
        UsageError: the text names no port.
        EnvironmentFailure: the port cannot be opened, the extra is missing, or the adapter is
            none, falls silent or is unplugged. Nothing of such a read is kept.
    """
    waits = timing or Timing()
    with Line(open_channel(port, baud=baud, seconds=waits.connect)) as line:
        return converse(line, waits, progress)


def converse(line: Line, timing: Timing, progress: Progress | None = None) -> AdapterScan:
    """Read a vehicle over an open line; as `read_scan`, and the line stays open."""
    tell = progress or (lambda _word: None)
    tell("setting the adapter up")
    _set_up(line, timing)
    tell("looking for the line to the vehicle")
    first = line.ask("0100", timing.search)
    # Words of refusal are the same on every line, so any form finds them.
    refusal = read_reply(first, "older").refusal
    if refusal:
        return nobody(refusal, _BY_HAND, line.dialogue)
    told = _LINE_FOUND.fullmatch(line.ask("ATDPN", timing.setting).strip().upper())
    found = told[1] if told else ""
    if found == _HEAVY:
        why = "it has the heavy vehicles' line (SAE J1939), which is not read here"
        return nobody(why, "write the codes down by hand, as SPN and FMI", line.dialogue)
    form = FORMS.get(found)
    if form is None:
        why = "the adapter does not say which line it found"
        return nobody(why, _BY_HAND, line.dialogue)
    asked = {"0100": Asked.of("0100", read_reply(first, form))}
    for request in ("0101", "03", "07", "0A", "0902"):
        tell(WORDS[request])
        asked[request] = _ask(line, request, form, timing)
    tell(WORDS["0100"])
    wanted = _ask_offered(line, asked, form, timing)
    for request in FIGURES:
        if bytes.fromhex(request)[1] in wanted:
            tell(WORDS[request])
            asked[request] = _ask(line, request, form, timing)
    return assemble(asked, form, line.dialogue)


def _set_up(line: Line, timing: Timing) -> None:
    for _attempt in range(_RESTARTS):
        # Another program's half-typed or still running request spoils the first command.
        if not re.search(r"\?|STOPPED", line.ask("ATZ", timing.restart).upper()):
            break
    for command in _WITHIN:
        line.ask(command, timing.setting)
    for command in _NEEDED:
        answer = line.ask(command, timing.setting)
        if answer.strip().upper() != "OK":
            raise EnvironmentFailure(
                f"The adapter answers {answer[:40]!r} to the setting {command}, without which "
                "modules cannot be told apart: try another adapter."
            )


def _ask(line: Line, request: str, form: Form, timing: Timing) -> Asked:
    """Ask, and once more when the answer is disturbed; silence of the vehicle is an answer."""
    asked = Asked.of(request, read_reply(line.ask(request, timing.request), form))
    if asked.clean or asked.reply.refusal == NO_ANSWER:
        return asked
    again = Asked.of(request, read_reply(line.ask(request, timing.request), form))
    return again if again.clean else asked


def _ask_offered(line: Line, asked: dict[str, Asked], form: Form, timing: Timing) -> set[int]:
    """Follow the lists of parameters, 32 at a time, as far as any module goes on."""
    if not asked["0100"].clean:
        asked["0100"] = _ask(line, "0100", form, timing)
    wanted = _offered(0x00, asked["0100"])
    start = 0x20
    while start in wanted and start <= _LAST_OF_RANGE:
        request = f"01{start:02X}"
        asked[request] = _ask(line, request, form, timing)
        wanted |= _offered(start, asked[request])
        start += 0x20
    return wanted


def _offered(start: int, asked: Asked) -> set[int]:
    lists: Iterable[frozenset[int] | None] = (
        offered(start, asked.bodies(module)) for module in asked.answers.bodies
    )
    return {parameter for one in lists for parameter in one or ()}
