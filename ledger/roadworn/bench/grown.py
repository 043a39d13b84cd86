"""Tread and linings do not grow: a figure above the last one is another part, or another wheel."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from roadworn.bench.sizes import figures_of
from roadworn.bench.words import item_words
from roadworn.catalogue.positions import axle_of
from roadworn.units import convert, dimension_of

#: A rise in mm that no gauge errs by; common practice, no source.
RISE_MM = 1.2
_NEW: Mapping[str, str] = {
    "wheel.tire": "a new tire",
    "brake.pad": "new pads",
    "brake.shoe": "new shoes",
}


def grown(
    findings: Iterable[Mapping[str, Any]],
    earlier: Sequence[tuple[str, Mapping[str, Any]]],
    replaced: Sequence[tuple[str, Mapping[str, Any]]],
) -> Iterator[str]:
    """Yield a sentence for each part that measures more than at the look-over before.

    Args:
        findings: of the look-over now.
        earlier: day and finding of the look-overs before it, the newest first.
        replaced: day and payload of the replacements up to now.
    """
    for finding in findings:
        now = _least(finding)
        component, place = finding["component"], finding.get("position")
        if component not in _NEW or now is None:
            continue
        for day, before in earlier:
            then = _least(before)
            if before["component"] != component or before.get("position") != place or then is None:
                continue
            renewed = any(
                on >= day and part["component"] == component and _covers(part, place)
                for on, part in replaced
            )
            if now[0] > then[0] + RISE_MM and not renewed:
                yield (
                    f"{item_words(finding)}: {now[1]} is more than {then[1]} on {day}: "
                    f"{_NEW[component]} not recorded, or another wheel? Record the replacement, "
                    "or correct the look-over."
                )
            break


def _least(finding: Mapping[str, Any]) -> tuple[float, str] | None:
    """Return the least length measured, in mm and as it was read."""
    found = [
        (convert(m["value"], m["unit"], "mm"), m)
        for m in figures_of(finding)
        if dimension_of(m["unit"]) == "length"
    ]
    if not found:
        return None
    mm, measured = min(found, key=lambda one: one[0])
    unit = "/32 in" if measured["unit"] == "32nds" else f" {measured['unit']}"
    return mm, f"{measured['value']:g}{unit}"


def _covers(part: Mapping[str, Any], place: str | None) -> bool:
    at = part.get("position")
    return at is None or at == place or at == axle_of(place)
