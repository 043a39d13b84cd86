"""How far ago codes were cleared, in distance and warm-ups, as a read-out says it.

Codes that were cleared yesterday prove nothing by staying away today (SAE J1979, service 01
parameters 31 and 30), so the figures belong to the scan and not into a note.
"""

from dataclasses import dataclass, field

from roadworn.problems import Problem
from roadworn.trade.scan_words import SINCE_CLEAR, WARM_UPS

#: One byte holds the warm-ups; the counter stays at its end (SAE J1979).
MOST_WARM_UPS = 255
_FARTHEST = 10_000_000


@dataclass
class Figures:
    """What was read so far.

    Attributes:
        since_clear: distance as given and its unit, ``km`` or ``mi``.
        warm_ups: 0 to 255.
        problems: figures that cannot be.
    """

    since_clear: tuple[float, str] | None = None
    warm_ups: int | None = None
    problems: list[Problem] = field(default_factory=list)


def take_figures(line: str, figures: Figures, number: int) -> str:
    """Take the figures off a line and return what is left of it; `number` is the line's."""
    # Warm-ups first: "4 warm-ups since clear 100 km" says both.
    for pattern in WARM_UPS:
        if found := pattern.search(line):
            warm_ups = int(found[1].replace(",", ""))
            line = f"{line[: found.start()]} {line[found.end() :]}"
            if warm_ups > MOST_WARM_UPS:
                figures.problems.append(
                    _problem(
                        f"{warm_ups} warm-ups since clear cannot be.",
                        f"a reader counts up to {MOST_WARM_UPS}",
                        number,
                    )
                )
            else:
                figures.warm_ups = warm_ups
    for pattern in SINCE_CLEAR:
        if found := pattern.search(line):
            line = f"{line[: found.start()]} {line[found.end() :]}"
            distance = float(found[1].replace(",", ""))
            if not found[2] or distance > _FARTHEST:
                figures.problems.append(
                    _problem(
                        f"{found[0].strip()!r} has no unit."
                        if not found[2]
                        else f"{found[0].strip()!r} is too far.",
                        "write it as 120 km since clear, or 75 mi",
                        number,
                    )
                )
            else:
                figures.since_clear = (distance, "km" if found[2].casefold() == "km" else "mi")
    return line


def _problem(message: str, hint: str, row: int) -> Problem:
    return Problem("scan-text", message, hint, row=row, column="since clear")
