"""Which parts a vehicle has: by the words of its profile, by its own record, or nobody knows.

Which part goes with which word is common practice, no source.
"""

import pytest

from roadworn.model.catalogue import catalogue
from roadworn.trade.features import _RULES, SAYS, absent_parts, has_part, lacks, sheet_for
from roadworn.trade.limits import load_sheet

PLUG, GLOW, CLUTCH = "ignition.spark_plug", "ignition.glow_plug", "drivetrain.clutch"
CONVERTER, AXLE, SHAFT = (
    "drivetrain.torque_converter",
    "drivetrain.cv_axle",
    "drivetrain.driveshaft",
)


@pytest.mark.parametrize("fuel", ["electric", "Electricity", "BEV", "battery", "eléctrico"])
def test_an_electric_vehicle_has_nothing_that_burns(fuel: str) -> None:
    absent = {one.component for one in absent_parts({"fuel": fuel})}
    assert {
        *(PLUG, GLOW, CLUTCH, CONVERTER, "engine.oil", "air.filter", "fuel.pump"),
        *("emission.exhaust_pipe", "emission.catalyst", "electrical.alternator"),
    } <= absent
    assert not {c for c in absent if c.startswith(("brake.", "ev.", "wheel.", "steering."))}


@pytest.mark.parametrize(
    ("profile", "component", "position", "has"),
    [
        ({"fuel": "diesel"}, PLUG, "3", False),
        ({"fuel": "diesel"}, GLOW, "3", True),
        ({"engine": "diesel 6.7 l"}, GLOW, None, True),
        ({"fuel": "gasoline"}, PLUG, None, True),
        ({"fuel": "petrol"}, GLOW, None, False),
        ({"fuel": "gasoline"}, "ev.traction_battery", None, False),
        ({"fuel": "gasoline", "vehicle_class": "hybrid car"}, "ev.traction_battery", None, True),
        ({"fuel": "hybrid"}, "engine.oil", None, True),
        ({"fuel": "gasoline/electric"}, "ev.inverter", None, True),
        ({"fuel": "hybrid"}, "electrical.alternator", None, None),
        ({"gearbox": "6-speed automatic"}, CLUTCH, None, False),
        ({"gearbox": "6-speed automatic"}, CONVERTER, None, True),
        ({"gearbox": "6-speed automated manual"}, CONVERTER, None, None),
        ({"gearbox": "automatic", "fuel": "diesel"}, CONVERTER, None, True),
        ({"gearbox": "5MT"}, CLUTCH, None, True),
        ({"gearbox": "manual"}, CONVERTER, None, False),
        ({"gearbox": "dual clutch"}, CLUTCH, None, None),
        ({"gearbox": "12-speed automated manual"}, CLUTCH, None, None),
        ({"drive": "rear"}, AXLE, "LF", False),
        ({"drive": "rear"}, AXLE, "LR", True),
        ({"drive": "front"}, SHAFT, "front", False),
        ({"drive": "all"}, SHAFT, None, True),
        ({"front_brakes": "disc", "rear_brakes": "drum"}, "brake.shoe", "front", False),
        ({"front_brakes": "disc", "rear_brakes": "drum"}, "brake.shoe", "LR", True),
        ({"front_brakes": "disc", "rear_brakes": "drum"}, "brake.shoe", None, True),
        ({"front_brakes": "disc", "rear_brakes": "disc"}, "brake.shoe", None, False),
        ({"front_brakes": "air_drum"}, "brake.shoe", "1L", True),
        ({"rear_brakes": "air_drum"}, "brake.pad", "3", False),
        ({"rear_brakes": "air_drum"}, "brake.master_cylinder", None, False),
        ({"weight_class": "light"}, "brake.air_chamber", "1L", False),
        ({"weight_class": "class 8"}, "brake.air_chamber", "1L", None),
        ({"engine": "2.0 turbo", "fuel": "gasoline"}, "air.turbocharger", "1", True),
        ({"engine": "2.0", "fuel": "gasoline"}, "air.turbocharger", "1", None),
        ({}, PLUG, None, None),
        ({"fuel": "electric"}, "wheel.tire", "LF", None),
    ],
)
def test_what_words_say(profile, component: str, position: str | None, has: bool | None) -> None:
    assert has_part(profile, component, position) is has


def test_a_part_that_was_seen_on_it_is_a_part_it_has() -> None:
    electric = {"fuel": "electric"}
    assert has_part(electric, PLUG, "1", {(PLUG, "1")}) is True
    assert lacks(electric, "ignition.coil", "1", {(PLUG, "1")}) is not None


def test_pads_on_an_axle_speak_against_its_shoes_unless_both_were_seen() -> None:
    pads, shoes = ("brake.pad", "LR"), ("brake.shoe", "rear")
    assert has_part({}, "brake.shoe", "rear", {pads}) is False
    assert has_part({}, "brake.shoe", "front", {pads}) is None
    assert has_part({}, "brake.drum", "LR", {pads, shoes}) is True
    # What the profile says outweighs what the record makes likely.
    assert has_part({"rear_brakes": "drum"}, "brake.drum", "LR", {pads}) is True


def test_what_says_so_is_named() -> None:
    one = lacks({"gearbox": "automatic", "fuel": "diesel"}, CLUTCH)
    assert one is not None
    assert (one.field, one.value) == ("gearbox", "automatic")
    from_engine = lacks({"engine": "diesel 6.7 l"}, PLUG)
    assert from_engine is not None
    assert (from_engine.field, from_engine.value) == ("engine", "diesel 6.7 l")


def test_every_need_is_a_feature_and_nothing_known_leaves_nothing_out() -> None:
    needs = {n.rpartition(":")[2] for component in catalogue() for n in component.needs}
    assert needs == set(_RULES)
    assert absent_parts(dict.fromkeys(SAYS)) == []


def test_a_sheet_leaves_out_what_an_electric_car_does_not_have() -> None:
    whole = load_sheet("light_vehicle")
    asked = sheet_for(whole, {"fuel": "electric", "rear_brakes": "drum", "front_brakes": "disc"})
    left = {item.component for item in whole.items} - {item.component for item in asked.items}
    assert {"engine.oil", "emission.exhaust_pipe"} <= left
    assert not {c for c in left if c.startswith(("wheel.", "steering.", "lighting."))}
    assert sheet_for(whole, {}) == whole
