"""Which parts a vehicle has, by what its profile says and by what its own record has shown.

An electric car has no spark plugs, an automatic no clutch. What a component needs stands in the
catalogue (`needs` of `components.csv`): features such as a combustion engine or discs at the
rear. A feature is there, is not, or nothing says; only what is known not to be there is left
out. A part once replaced, serviced or looked at on a vehicle is a part that it has, whatever
its profile says. Which feature goes with which word: common practice, no source.
"""

import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

from roadworn.model.catalogue import catalogue
from roadworn.model.places import axle_of
from roadworn.trade.weight import weight_of

if TYPE_CHECKING:
    from roadworn.trade.limits import Sheet

#: What of a profile says which parts a vehicle has.
SAYS = (
    *("fuel", "engine", "gearbox", "drive", "front_brakes", "rear_brakes"),
    *("vehicle_class", "model", "weight_class", "duty"),
)

_MILD = r"mild.?hybrid|\bmhev\b|\b48.?v"
_ELECTRIC = r"electric|eléctric|electrico|\bb?ev\b|battery|fuel.?cell"
_DIESEL = r"diesel|diésel|gas[oó]leo|\bgas oil\b|\bhvo\b"
_SPARKED = (
    r"gasolin|petrol|\bgas\b(?! oil)|benzin|\b[lc]pg\b|\b[cl]ng\b|propane|natural gas|ethanol"
    r"|\be85\b|\bflex"
)
_BURNT = f"{_DIESEL}|{_SPARKED}"
_HYBRID = (
    r"hybrid|híbrid|\bp?hev\b|plug.?in|range.?extender"
    rf"|^(?=.*(?:{_BURNT}))(?=.*(?:{_ELECTRIC}))"
)
_PLUG = r"plug.?in|\bphev\b|range.?extender|enchufable"
#: Gearboxes that shift by themselves and have a clutch, or that are said to be both.
_BOTH = r"dual.?clutch|\bdct\b|automated|automatizad|\bamt\b|robot|auto.*manual|manual.*auto"
_MANUAL = r"manual|\bstick\b|\b[3-9]? ?-?mt\b"
_AUTOMATIC = r"auto|cvt|\b[3-9]? ?-?at\b|torque converter"
_ONE_SPEED = r"single.?speed|one.?speed|\b1.?speed|reduction|direct drive"
_ALL_DRIVEN = r"\b4 ?x ?4\b|\b4wd\b|\bawd\b|all.?wheel.?drive|four.?wheel.?drive"

#: Feature -> what decides it, the first that is found: where it is read, the pattern, the answer.
#: ``fuel`` is the engine's words where no fuel is on record; ``words`` is all that is written.
_RULES: Mapping[str, tuple[tuple[str, str, bool | None], ...]] = {
    "engine": (("fuel", _HYBRID, True), ("fuel", _BURNT, True), ("fuel", _ELECTRIC, False)),
    "spark": (
        ("fuel", _DIESEL, False),
        ("fuel", _SPARKED, True),
        ("fuel", _HYBRID, None),
        ("fuel", _ELECTRIC, False),
    ),
    "diesel": (
        ("fuel", _DIESEL, True),
        ("fuel", _SPARKED, False),
        ("fuel", _HYBRID, None),
        ("fuel", _ELECTRIC, False),
    ),
    "turbo": (
        ("fuel", _HYBRID, None),
        ("engine", r"turbo|supercharg", True),
        ("engine", r"aspirated|aspirado", False),
        ("fuel", _BURNT, None),
        ("fuel", _ELECTRIC, False),
    ),
    # Alternator and starter: many hybrids have neither.
    "belt_electrics": (
        ("words", _MILD, True),
        ("words", _HYBRID, None),
        ("fuel", _BURNT, True),
        ("fuel", _ELECTRIC, False),
    ),
    "high_voltage": (
        ("words", _MILD, None),
        ("words", _HYBRID, True),
        ("fuel", _ELECTRIC, True),
        ("fuel", _BURNT, False),
    ),
    "charged": (
        ("words", _PLUG, True),
        ("words", _HYBRID, None),
        ("fuel", _ELECTRIC, True),
        ("fuel", _BURNT, False),
    ),
    "shifting": (
        ("gearbox", r"\b[2-9].?speed", True),
        ("fuel", _HYBRID, True),
        ("fuel", _BURNT, True),
        ("gearbox", _ONE_SPEED, False),
        ("fuel", _ELECTRIC, False),
    ),
    "manual": (
        ("gearbox", _BOTH, None),
        ("gearbox", _MANUAL, True),
        ("gearbox", _AUTOMATIC, False),
        ("fuel", _BURNT, None),
        ("fuel", _HYBRID, False),
        ("fuel", _ELECTRIC, False),
    ),
    "automatic": (
        ("gearbox", _BOTH, None),
        ("fuel", _HYBRID, None),
        ("gearbox", r"\b[2-9].?speed auto", True),
        ("gearbox", _ONE_SPEED, False),
        ("gearbox", _MANUAL, False),
        ("fuel", f"^(?!.*(?:{_BURNT})).*(?:{_ELECTRIC})", False),
        ("gearbox", _AUTOMATIC, True),
    ),
    "front_driven": (
        ("drive", "front|all", True),
        ("drive", "rear", False),
        ("words", _ALL_DRIVEN, True),
        ("words", r"\bfwd\b|front.?wheel.?drive", True),
        ("words", r"\brwd\b|rear.?wheel.?drive", False),
    ),
    "rear_driven": (
        ("drive", "rear|all", True),
        ("drive", "front", False),
        ("words", _ALL_DRIVEN, True),
        ("words", r"\brwd\b|rear.?wheel.?drive", True),
        ("words", r"\bfwd\b|front.?wheel.?drive", False),
    ),
    # Whether one that drives all wheels has a transfer case of its own, nobody said.
    "all_driven": (
        ("drive", "front|rear", False),
        ("words", _ALL_DRIVEN, None),
        ("words", r"\b[fr]wd\b|(?:front|rear).?wheel.?drive", False),
    ),
    **{
        f"{end}_{kind}": (
            (f"{end}_brakes", kind, True),
            (f"{end}_brakes", other, False),
        )
        for end in ("front", "rear")
        for kind, other in (("disc", "drum"), ("drum", "disc"))
    },
    "air_brakes": (
        ("brakes", "air", True),
        ("brakes", "disc|drum", False),
        ("words", r"air.?brake", True),
        ("weight", "light", False),
    ),
    "hydraulic_brakes": (
        ("brakes", "air", False),
        ("brakes", "disc|drum", True),
        ("words", r"air.?brake", False),
        ("weight", "light", True),
    ),
}
#: Of two features that a vehicle hardly has both of, a part of the one speaks against the other,
#: where nothing else is said of either.
_RIVALS = {
    one: other
    for pair in (
        ("spark", "diesel"),
        ("manual", "automatic"),
        ("front_disc", "front_drum"),
        ("rear_disc", "rear_drum"),
        ("air_brakes", "hydraulic_brakes"),
    )
    for one, other in (pair, pair[::-1])
}
#: Place read -> the field of the profile that a person would correct.
_FIELDS = {"weight": "weight_class", "words": "model"}

Shown = Collection[tuple[str, str]]
#: Feature -> whether it is there, which field says so and its value.
_Known = Mapping[str, tuple[bool, str, str]]
#: Component -> the ends at which it was shown.
_Ends = Mapping[str, set[str]]


class Absent(NamedTuple):
    """A component that a vehicle does not have.

    Attributes:
        component: catalogue id.
        axle: ``front`` or ``rear`` when only that axle is without it, else an empty text.
        field: field of the profile that says so, or ``record`` when its own record does.
        value: what stands there.
    """

    component: str
    axle: str
    field: str
    value: str


def has_part(
    profile: Mapping[str, Any], component: str, position: str | None = None, shown: Shown = ()
) -> bool | None:
    """Say whether a vehicle has a part: yes, no, or None where nothing says.

    Args:
        profile: the fields of `SAYS`, any of them missing or None.
        component: catalogue id.
        position: where, as written, or None for the component anywhere.
        shown: (component, position) of all that was replaced, serviced or looked at on it.
    """
    return _has(_features(profile, shown), component, end_of(position), _ends(shown))


def lacks(
    profile: Mapping[str, Any], component: str, position: str | None = None, shown: Shown = ()
) -> Absent | None:
    """Return what says that a vehicle does not have a part, or None; as `has_part` takes it."""
    if not _needs(component):
        return None
    return _lacking(_features(profile, shown), component, end_of(position), _ends(shown))


def _lacking(known: _Known, component: str, end: str, ends: _Ends) -> Absent | None:
    if _has(known, component, end, ends) is not False:
        return None
    asked = (*_asked(component, end), *_asked(component, end or "front"))
    _is, field, value = next(known[f] for f in asked if f in known and not known[f][0])
    return Absent(component, end if _by_axle(component) else "", field, value)


def absent_parts(profile: Mapping[str, Any], shown: Shown = ()) -> list[Absent]:
    """Return every component that a vehicle does not have, in the catalogue's order.

    Args:
        profile: as `has_part` takes it.
        shown: likewise.
    """
    found: list[Absent] = []
    known, ends = _features(profile, shown), _ends(shown)
    for component in catalogue():
        if not _needs(component.id):
            continue
        whole = _lacking(known, component.id, "", ends)
        if whole is not None or not _by_axle(component.id):
            found += [whole] if whole is not None else []
            continue
        by_end = (_lacking(known, component.id, end, ends) for end in ("front", "rear"))
        found += filter(None, by_end)
    return found


def shown_in(payloads: Iterable[Mapping[str, Any]]) -> set[tuple[str, str]]:
    """Return (component, position) of what payloads of work and look-overs show on a vehicle."""
    found = set()
    for payload in payloads:
        for one in (payload, *payload.get("findings", ()), *payload.get("sound", ())):
            if one.get("component") and one.get("condition") != "not_checked":
                found.add((one["component"], one.get("position") or ""))
    return found


def sheet_for(sheet: "Sheet", profile: Mapping[str, Any], shown: Shown = ()) -> "Sheet":
    """Return a look-over sheet without the parts that a vehicle does not have.

    Args:
        sheet: what is to be looked at.
        profile: as `has_part` takes it.
        shown: likewise.
    """
    items = []
    for item in sheet.items:
        axle = {"front": "front", "other": "rear"}.get(item.axle)
        places: list[str | None] = [axle] if axle else [*item.places] or [None]
        kept = [one for one in places if lacks(profile, item.component, one, shown) is None]
        if kept:
            left = () if axle or not item.places else tuple(filter(None, kept))
            items.append(replace(item, places=left or item.places))
    return replace(sheet, items=tuple(items))


def _ends(shown: Shown) -> _Ends:
    """Return component -> the ends at which it was shown, an empty text where nobody said."""
    found: dict[str, set[str]] = {}
    for component, position in shown:
        found.setdefault(component, set()).add(end_of(position))
    return found


def _has(known: _Known, component: str, end: str, ends: _Ends) -> bool | None:
    seen = ends.get(component)
    if seen and (not end or not seen.isdisjoint(("", end))):
        return True
    if not end and _by_axle(component):
        # One axle that may have it is enough.
        both = [_has(known, component, one, ends) for one in ("front", "rear")]
        return True if True in both else False if both == [False, False] else None
    answers = [known[f][0] if f in known else None for f in _asked(component, end)]
    if False in answers:
        return False
    return True if answers and None not in answers else None


@lru_cache(1024)
def end_of(position: str | None) -> str:
    """Return front or rear for a position that names an axle; all behind the first are rear."""
    axle = axle_of(position)
    if axle is None:
        return ""
    return "front" if axle in ("front", "1") else "rear"


@cache
def _by_axle(component: str) -> bool:
    return any(end for end, _feature in _needs(component))


@cache
def _needs(component: str) -> tuple[tuple[str, str], ...]:
    """Return (front, rear or nothing, feature) of all that a component needs."""
    known = catalogue().find(component)
    needs = () if known is None else known.needs
    return tuple((end, feature) for end, _, feature in (n.rpartition(":") for n in needs))


@cache
def _asked(component: str, axle: str) -> tuple[str, ...]:
    """Return the features that a component needs at an axle."""
    return tuple(feature for end, feature in _needs(component) if end in ("", axle))


def _features(profile: Mapping[str, Any], shown: Shown) -> _Known:
    """Return feature -> whether it is there, which field says so and its value."""
    said = dict(_said(tuple(str(profile.get(field) or "") for field in SAYS)))
    seen = {
        feature for component, position in shown for feature in _asked(component, end_of(position))
    }
    for feature in seen:
        rival = _RIVALS.get(feature, "")
        if feature not in said:
            said[feature] = (True, "record", "")
            if rival and rival not in said and rival not in seen:
                said[rival] = (False, "record", "")
    return said


@lru_cache(4096)
def _said(texts: tuple[str, ...]) -> tuple[tuple[str, tuple[bool, str, str]], ...]:
    """Return what a profile alone says, as pairs for a dict; `texts` in the order of `SAYS`."""
    profile = dict(zip(SAYS, texts, strict=True))
    places = {field: text.casefold() for field, text in profile.items()}
    fuel_field = "fuel" if places["fuel"] else "engine"
    places["words"] = " ; ".join(filter(None, places.values()))
    places["fuel"] = places[fuel_field]
    places["weight"] = weight_of(profile["weight_class"]) or ""
    places["brakes"] = f"{places['front_brakes']} {places['rear_brakes']}".strip()
    brakes = "front_brakes" if places["front_brakes"] else "rear_brakes"
    fields = _FIELDS | {"fuel": fuel_field, "brakes": brakes}
    found = []
    for feature, rules in _RULES.items():
        for place, pattern, answer in rules:
            if places[place] and re.search(pattern, places[place]):
                if answer is not None:
                    field = fields.get(place, place)
                    found.append((feature, (answer, field, profile.get(field, ""))))
                break
    return tuple(found)
