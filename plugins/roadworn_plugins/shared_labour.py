"""Work that is cheaper done together, since one job opens the way to the other.

Common practice, no source; hours differ with the vehicle, so no saving is computed.
"""

#: Components whose jobs share labour when they lie at the same place.
_TOGETHER: tuple[frozenset[str], ...] = (
    frozenset({"brake.pad", "brake.rotor", "brake.caliper", "brake.hose"}),
    frozenset({"brake.shoe", "brake.drum", "brake.wheel_cylinder"}),
    frozenset({"engine.drive_belt", "engine.belt_tensioner", "electrical.alternator"}),
    frozenset({"engine.timing_belt", "cooling.water_pump"}),
    frozenset({"cooling.thermostat", "cooling.hose", "cooling.coolant"}),
    frozenset({"drivetrain.clutch", "engine.crank_seal"}),
    frozenset({"ignition.spark_plug", "ignition.coil"}),
    frozenset({"suspension.strut", "suspension.stabilizer_link", "suspension.ball_joint"}),
    frozenset({"steering.tie_rod_outer", "steering.tie_rod_inner", "wheel.alignment"}),
)


def shares_labour(one: tuple[str, str], other: tuple[str, str]) -> bool:
    """Return whether two jobs, each (component, position), share labour."""
    if one == other or not any(one[0] in s and other[0] in s for s in _TOGETHER):
        return False
    return _near(one[1], other[1])


def _near(one: str, other: str) -> bool:
    """Whether two places are the same, the same corner, or unstated."""
    if not one or not other or one == other:
        return True
    corner = {"LF": "front", "RF": "front", "LR": "rear", "RR": "rear"}
    first, second = one.split("-", maxsplit=1)[0], other.split("-", maxsplit=1)[0]
    return first == second or corner.get(first) == second or first == corner.get(second)
