"""What is planted in the demo about codes, odometers and wear is found by the analyses.

The demo's world is invented and its truth known, so this is no check of a published figure.
"""

from roadworn import LedgerView, PluginHost
from roadworn.model.catalogue import catalogue
from roadworn_demo import FEATURED, TRUTH
from roadworn_plugins.wear.measured import measured_wear

#: The part that had failed, for each code whose first repair was often the wrong one.
CURES = {"P0420": "emission.catalyst", "P0562": "electrical.alternator"}


def test_the_work_that_cures_is_told_from_the_work_that_was_tried_first(
    demo_view: LedgerView, host: PluginHost
) -> None:
    assert set(CURES) == set(TRUTH.codes.tried_first)
    for code, tried in TRUTH.codes.tried_first.items():
        result = host.run("code-outcomes", demo_view, {"code": code}).result
        rows = {
            row["component"]: row
            for row in result.table("code_outcomes").records()
            if row["class"] == "(all classes)"
        }
        cure, wrong = rows[CURES[code]], rows[tried]
        assert float(str(cure["low"])) > float(str(wrong["high"])), code
        assert catalogue().name_of(CURES[code]) in result.headline


def test_planted_odometers_are_put_in_words(demo_view: LedgerView, host: PluginHost) -> None:
    result = host.run("odometer-audit", demo_view).result
    kinds = {row["vehicle"]: row["kind"] for row in result.table("doubtful_readings").records()}
    assert kinds == {
        TRUTH.odometers.exchanged: "exchanged",
        TRUTH.odometers.rolled_over: "rolled over",
        TRUTH.odometers.lower_left_standing: "lower",
    }
    status = {row["vehicle"]: row["status"] for row in result.table("odometers").records()}
    assert status[TRUTH.odometers.exchanged] == "not actual"
    assert status[TRUTH.odometers.rolled_over] == "exceeds mechanical limits"


def test_the_featured_car_fails_on_what_was_found_and_not_on_what_was_not_looked_at(
    demo_view: LedgerView, host: PluginHost
) -> None:
    result = host.run("inspection-outlook", demo_view, {"vehicle": FEATURED}).result
    rows = {row["item"]: row["outcome"] for row in result.table("items").records()}
    assert {item for item, outcome in rows.items() if outcome == "fail"} == {
        "steering linkage",
        "onboard system",
    }
    assert rows["tire tread"] == "pass"
    assert rows["horn"] == "not known"


def test_measured_wear_of_the_featured_car_is_ahead_of_its_limit(demo_view: LedgerView) -> None:
    wear = {(w.component, w.position): w for w in measured_wear(demo_view, FEATURED)}
    assert {("brake.pad", "front"), ("wheel.tire", "LF")} <= set(wear)
    for one in wear.values():
        assert one.per_1000_km > 0
        assert one.current > one.limit
        assert one.low_km <= one.middle_km <= one.high_km


def test_a_converters_code_beside_a_misfire_is_planned_from_the_misfire_on(
    demo_view: LedgerView, host: PluginHost
) -> None:
    result = host.run("keep-or-sell", demo_view, {"vehicle": FEATURED}).result
    plan = result.table("plan").records()
    assert (plan[0]["stage"], plan[0]["component"]) == ("must", "steering.tie_rod_outer")
    named = [row["component"] for row in plan]
    # The coil with what brings it down first, the converter by its chance, and no job twice.
    assert named.index("ignition.coil") < named.index("emission.catalyst")
    assert all(named)
    chances = {row["component"]: float(str(row["chance"])) for row in plan}
    assert 0.1 < chances["emission.catalyst"] < 0.5 < chances["ignition.coil"]
    now = {row["option"]: row for row in result.table("options").records()}
    through = next(float(str(r["at_once"])) for o, r in now.items() if "inspection" in str(o))
    assert through > sum(float(str(r["price"])) for r in plan if r["stage"] == "must") + 200.0


def test_the_hybrids_battery_comes_first_of_what_should_be_done_and_is_not_free(
    demo_view: LedgerView, host: PluginHost
) -> None:
    vehicle = TRUTH.pictures.hybrid
    result = host.run("keep-or-sell", demo_view, {"vehicle": vehicle}).result
    should = [row for row in result.table("plan").records() if row["stage"] == "should"]
    assert should[0]["component"] == "ev.traction_battery"
    ways = result.table("options").records()
    through = next(row for row in ways if "inspection" in str(row["option"]))
    assert catalogue().name_of("ev.traction_battery") in str(through["unpriced"])
