"""The usual cautions for work that can hurt someone, chosen by the components a page names.

Own words for what the trade teaches; none of it replaces local law, the maker's service
information or a licensed technician, and every report says so.
"""

from collections.abc import Iterable

from roadworn.model.messages import Sentence

_CODE = "caution"

CLOSING = (
    "Based on what was checked and recorded; an estimate, not a promise, and not an official "
    "inspection. Local law, the maker's service information and the judgement of a qualified "
    "technician come first. While a safety item is open, do not drive until it is repaired."
)

#: caution -> prefixes of the component ids it belongs to.
_CAUTIONS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        (
            "Brakes: no dry air on brake dust; pump the pedal before moving; test drive after "
            "work; brake fluid harms paint."
        ),
        ("brake.",),
    ),
    (
        "Lifting: rated lift points on level ground, stands, chocks; never under a jack alone.",
        ("brake.", "steering.", "suspension.", "wheel.", "drivetrain.", "emission.exhaust"),
    ),
    (
        (
            "Steering and suspension: springs are under load; new fasteners where the maker says; "
            "torque at ride height; align after."
        ),
        ("steering.", "suspension."),
    ),
    (
        (
            "Airbags and belts: switch off as the maker says and wait; no test lamp or ohmmeter on "
            "an inflator; trained people only."
        ),
        ("restraint.",),
    ),
    (
        (
            "High voltage (orange cables): trained people, rated gloves, service plug out, wait "
            "the stated time, prove zero volts; after a flood or crash treat as live."
        ),
        ("ev.",),
    ),
    (
        "Fuel: relieve pressure, no sparks, extinguisher near; injection pressure cuts skin.",
        ("fuel.", "emission.evap", "emission.purge", "emission.vent"),
    ),
    ("Hot cooling system: do not open the cap hot; fans can start by themselves.", ("cooling.",)),
    (
        "Refrigerant: recover, never vent; certified technician and approved machine.",
        (
            "hvac.compressor",
            "hvac.condenser",
            "hvac.evaporator",
            "hvac.refrigerant",
            "hvac.pressure_sensor",
        ),
    ),
    (
        "Battery: hydrogen gas, no sparks, negative off first; losing supply clears the monitors.",
        ("electrical.battery",),
    ),
    (
        "Exhaust: carbon monoxide; catalyst and filter stay hot after regeneration.",
        ("emission.",),
    ),
    (
        "Camera and radar: calibrate after glass, bumper, alignment or ride-height work.",
        ("body.windshield", "body.driver_assist", "wheel.alignment"),
    ),
)


def cautions_for(components: Iterable[str]) -> tuple[str, ...]:
    """Return the cautions that belong to these component ids, each once, in a fixed order."""
    named = set(components)
    return tuple(
        text
        for text, prefixes in _CAUTIONS
        if any(component.startswith(prefixes) for component in named)
    )


def as_caveat(caution: str) -> Sentence:
    """Return a caution as it stands among the reservations of an analysis."""
    return Sentence(_CODE, "Caution: {caution}", caution=caution)


def is_caution(caveat: str) -> bool:
    """Say whether a reservation is a caution, which has a place of its own on a page."""
    return isinstance(caveat, Sentence) and caveat.code == _CODE
