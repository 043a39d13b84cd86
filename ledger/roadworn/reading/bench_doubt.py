"""Short ways to say it that may mean more than is read: asked, since either reading loses some.

"shocks rr both" is one wheel or an axle, "links l/r" a wheel or both sides, and "governor ok" says
nothing of the compressor that it is filed under. Which part is a small one of another, and of
which a wheel has one: common practice, no source.
"""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from roadworn.model.catalogue import Component, catalogue
from roadworn.model.errors import UsageError

#: Names of small parts by the component they are filed under: sound, they say nothing of it.
_SMALL: Mapping[str, frozenset[str]] = {
    "brake.air_compressor": frozenset({"governor", "air dryer", "air brake dryer"}),
    "steering.center_link": frozenset({"pitman arm", "idler arm"}),
    "air.turbocharger": frozenset({"wastegate", "intercooler", "charge air cooler", "cac"}),
    "fuel.tank": frozenset(
        {"fuel line", "fuel hose", "gas line", "return line", "fuel tank strap"}
    ),
    "cooling.reservoir": frozenset({"radiator cap", "rad cap"}),
    "suspension.air_spring": frozenset({"height valve", "ride height valve", "leveling"}),
    "body.wiper_motor": frozenset({"washer pump", "washer", "washer motor", "washer reservoir"}),
    "hvac.evaporator": frozenset({"txv", "orifice tube", "receiver drier", "accumulator"}),
    "emission.egr_valve": frozenset({"egr cooler"}),
}
#: Parts that a wheel has one of, so that both of them are those of an axle.
_ONE_AT_WHEEL = frozenset(
    {
        *("suspension.shock", "suspension.strut", "suspension.stabilizer_link", "brake.rotor"),
        *("brake.drum", "brake.hose", "brake.wheel_cylinder", "brake.caliper", "wheel.bearing"),
    }
)
#: Schemes of parts that a wheel may have several of.
_BY_AXLE = frozenset({"axle", "tire"})
_WHEEL = re.compile(r"[LR][FR]")
_BOTH = re.compile(r"\b(?:both|ambos|ambas)\b(?!,? (?:ends|sides|edges|halves|beads|times|ways))")
_PLURAL_SIDES = re.compile(r"\b[a-z]{3,}s\b[^;,]* (l/r|lr)\b")


def refuse_doubt(text: str, finding: Mapping[str, Any]) -> None:
    """Refuse a plain finding as `refuse_more` does.

    Raises:
        UsageError: says what to write.
    """
    component, condition = catalogue().get(finding["component"]), finding["condition"]
    before = " ".join(text.casefold().partition(condition)[0].split())
    own = () if component.name.casefold() in before else _SMALL.get(component.id, ())
    name = max((one for one in own if re.search(rf"\b{one}\b", before)), key=len, default="")
    refuse_more(text, component, [finding.get("position")], condition, name)


def small_part(component: str, name: str) -> str:
    """Return the small part of a component that a name holds, or an empty text."""
    held = [one for one in _SMALL.get(component, ()) if one in name]
    return max(held, key=len, default="")


def refuse_more(
    text: str, component: Component, places: Sequence[str | None], condition: str | None, name: str
) -> None:
    """Refuse a short way to say it that may mean more than was read.

    Args:
        text: as typed.
        component: what.
        places: where.
        condition: how it is.
        name: the words that named it, spelled out.

    Raises:
        UsageError: says what to write.
    """
    shown = " ".join(text.split())
    if remedy := _side_left_open(text, component, places):
        raise UsageError(
            f"Both sides or one wheel is left open for {component.name} in {shown!r:.90}", remedy
        )
    if condition == "sound" and name in _SMALL.get(component.id, ()):
        raise UsageError(
            f"The {name} in {shown!r:.90} is a small part of {component.name}: sound, it says "
            "nothing of the rest",
            f"write '{component.name} sound' where all of it is, or leave it out",
        )


def _side_left_open(text: str, component: Component, places: Sequence[str | None]) -> str:
    """Return what to write where one wheel was read and two may be meant, or an empty text."""
    if len(places) != 1 or not _WHEEL.fullmatch((places[0] or "").partition("-")[0]):
        return ""
    wheel, said = (places[0] or "")[:2], " ".join(text.casefold().split())
    axle = "front" if wheel[1] == "F" else "rear"
    once = component.id in _ONE_AT_WHEEL
    short = re.search(r"\brr\b", text) is not None and component.positions in _BY_AXLE
    if _BOTH.search(said) and (once or (short and wheel == "RR")):
        return f"write {axle}, or {wheel} without the word for two"
    found = _PLURAL_SIDES.search(said)
    if wheel != "LR" or found is None:
        return ""
    # "LR" is shouted for a wheel; "lr" behind several may be left and right.
    whole = found[1] == "l/r" or (once and re.search(r"\blr\b", text) is not None)
    return "write front or rear for both sides, or LR for the left rear wheel" if whole else ""
