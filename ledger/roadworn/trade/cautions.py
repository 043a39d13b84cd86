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

#: A few words where there is no room for more; the caution; prefixes of the ids it belongs to.
_CAUTIONS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    (
        "no dry air on brake dust; pump the pedal before moving",
        (
            "Brakes: no dry air on brake dust; pump the pedal before moving; test drive after"
            " work; brake fluid harms paint."
        ),
        ("brake.",),
    ),
    (
        "on stands, never a jack alone",
        "Lifting: rated lift points on level ground, stands, chocks; never under a jack alone.",
        ("brake.", "steering.", "suspension.", "wheel.", "drivetrain.", "emission.exhaust"),
    ),
    (
        "springs are under load",
        (
            "Suspension: springs are under load; new fasteners where the maker says; torque at "
            "ride height; align after."
        ),
        ("suspension.",),
    ),
    (
        "new locknut and pin, set the toe",
        (
            "Steering: new locknut, pin and fasteners where the maker says; turn it lock to lock "
            "before driving; set the toe after, then straighten the wheel."
        ),
        (
            "steering.tie_rod",
            "steering.rack",
            "steering.gearbox",
            "steering.center_link",
            "steering.kingpin",
        ),
    ),
    (
        "airbags: trained people only",
        (
            "Airbags and belts: switch off as the maker says and wait; no test lamp or "
            "ohmmeter on an inflator; trained people only."
        ),
        ("restraint.",),
    ),
    (
        "high voltage: trained people only",
        (
            "High voltage (orange cables): trained people, rated gloves, service plug out, "
            "wait the stated time, prove zero volts; after a flood or crash treat as live."
        ),
        ("ev.",),
    ),
    (
        "relieve fuel pressure, no sparks",
        "Fuel: relieve pressure, no sparks, extinguisher near; injection pressure cuts skin.",
        ("fuel.", "emission.evap", "emission.purge", "emission.vent"),
    ),
    (
        "do not open the cap hot",
        "Hot cooling system: do not open the cap hot; fans can start by themselves.",
        ("cooling.",),
    ),
    (
        "recover refrigerant, never vent",
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
        "battery: no sparks, negative off first",
        "Battery: hydrogen gas, no sparks, negative off first; losing supply clears the monitors.",
        ("electrical.battery",),
    ),
    (
        "exhaust: carbon monoxide, hot parts",
        "Exhaust: carbon monoxide; catalyst and pipes stay hot after a drive.",
        ("emission.",),
    ),
    (
        "filter: very hot after regeneration",
        "Particle filter: very hot during and long after regeneration.",
        ("emission.particulate_filter", "emission.dpf"),
    ),
    (
        "calibrate camera and radar",
        "Camera and radar: calibrate after glass, bumper, alignment or ride-height work.",
        ("body.windshield", "body.driver_assist", "wheel.alignment"),
    ),
)


def cautions_for(components: Iterable[str]) -> tuple[str, ...]:
    """Return the cautions that belong to these component ids, each once, in a fixed order."""
    return tuple(text for _brief, text in _cautions_of(components))


def brief_cautions_for(components: Iterable[str]) -> tuple[str, ...]:
    """Return the same in a few words each, for a line that names the job they belong to."""
    return tuple(brief for brief, _text in _cautions_of(components))


def _cautions_of(components: Iterable[str]) -> list[tuple[str, str]]:
    named = set(components)
    return [
        (brief, text)
        for brief, text, prefixes in _CAUTIONS
        if any(component.startswith(prefixes) for component in named)
    ]


def as_caveat(caution: str) -> Sentence:
    """Return a caution as it stands among the reservations of an analysis."""
    return Sentence(_CODE, "Caution: {caution}", caution=caution)


def is_caution(caveat: str) -> bool:
    """Say whether a reservation is a caution, which has a place of its own on a page."""
    return isinstance(caveat, Sentence) and caveat.code == _CODE
