"""The plan of a vehicle, its sums and the ways on; stages are common practice, no source."""

from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from builders import found, looked, usd
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from roadworn import NewEvent, Result
from roadworn.analysis import Holds, Mark
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.inspection import INSPECTION_OUTLOOK
from roadworn_plugins.keep import KEEP_OR_SELL
from roadworn_plugins.keep.jobs import Job, Stage, labour_once, sum_of, worn_out
from roadworn_plugins.shared.prices import Price

TODAY = "2026-01-10"
ESTIMATE = "0190a000-0000-7000-8000-000000000001"


def car(*more: NewEvent, vehicle: str = "car-1", **profile: Any) -> list[NewEvent]:
    """Return an old car of unknown part history with yearly readings and a valuation."""
    first = event(
        vehicle, "enrolment", "2022-01-05", odometer=90_000, vehicle_class="light car", **profile
    )
    readings = [
        event(vehicle, "odometer_reading", f"{year}-01-05", odometer=90_000 + i * 6_000)
        for i, year in enumerate((2023, 2024, 2025, 2026), start=1)
    ]
    worth = event(vehicle, "valuation", "2026-01-05", value=usd("3000.00"), source="local lists")
    return [first, *readings, worth, *more]


def done(vehicle: str, on: str, component: str, price: str, **more: Any) -> NewEvent:
    return event(
        vehicle, "replacement", on, odometer=101_000, component=component,
        reason=more.pop("reason", "failed"), parts_cost=usd(price), **more,
    )  # fmt: skip


def answer(folder: Path, events: list[NewEvent], **asked: object) -> Result:
    events = sorted(events, key=lambda e: e.occurred_at)
    folder.mkdir(exist_ok=True)
    with view_of(events, folder, as_of=TODAY) as view:
        return check_analysis(KEEP_OR_SELL, view, {"vehicle": "car-1", "least_parts": 0, **asked})


def rows(result: Result, table: str) -> list[dict[str, Any]]:
    return list(result.table(table).records())


def jobs(result: Result) -> dict[str, dict[str, Any]]:
    return {str(row["what"]): row for row in rows(result, "plan")}


def ways(result: Result) -> dict[str, dict[str, Any]]:
    return {str(row["option"]): row for row in rows(result, "options")}


def like_cases() -> Iterator[NewEvent]:
    """Yield cars on which P0420 went away with the converter: five times, and once a sensor."""
    for n in range(2, 8):
        name = f"car-{n}"
        yield event(name, "enrolment", "2022-01-05", odometer=90_000, vehicle_class="light car")
        code = [{"name": "engine", "codes": [{"code": "P0420", "status": "stored"}]}]
        yield event(name, "scan", "2024-03-01", odometer=100_900, modules=code, lamp="on")
        part = "emission.oxygen_sensor" if n == 7 else "emission.catalyst"
        yield done(name, "2024-03-05", part, "170.00" if n == 7 else "1100.00")
        clean = [{"name": "engine", "codes": []}]
        yield event(name, "scan", "2024-06-01", odometer=103_000, modules=clean, lamp="off")


def with_code() -> NewEvent:
    code = [{"name": "engine", "codes": [{"code": "P0420", "status": "stored"}]}]
    return event("car-1", "scan", "2026-01-06", modules=code, lamp="on")


def test_a_cause_that_a_code_points_to_is_in_the_sum_by_its_chance(tmp_path: Path) -> None:
    result = answer(tmp_path, [*car(with_code()), *like_cases()])
    job = jobs(result)["catalytic converter"]
    assert 0.5 < job["chance"] < 1.0
    assert str(job["seen"]).startswith("P0420 points to catalytic converter, ")
    assert "if it is that; first " in str(job["seen"])
    should = rows(result, "sums")[1]
    assert should["low"] < job["price"] * job["chance"] <= should["sum"] < should["high"]
    assert should["high"] >= job["price"]
    through = ways(result)["through the inspection"]
    assert through["at_once"] >= job["price"] * job["chance"]
    assert any("If the check says catalytic converter" in str(row[0])
               for row in result.table("turns").rows)  # fmt: skip


def test_a_code_nobody_has_seen_before_is_named_without_a_price(tmp_path: Path) -> None:
    result = answer(tmp_path, car(with_code()))
    job = jobs(result)["find the cause of P0420"]
    assert (job["price"], job["chance"]) == (None, 1.0)
    assert "find the cause of P0420" in str(rows(result, "sums")[1]["unpriced"])


def test_what_three_rows_say_of_one_place_is_one_job(tmp_path: Path) -> None:
    """An estimate declined, a finding, and what the customer says."""
    rod = "steering.tie_rod_outer"
    line = {"line": 1, "component": rod, "position": "L", "amount": usd("140.00")}
    offer = event("car-1", "estimate", "2025-06-01", lines=[line])
    offer = offer.model_copy(update={"event_id": ESTIMATE})
    no = event("car-1", "authorisation", "2025-06-02", estimate=ESTIMATE,
               decisions=[{"line": 1, "decision": "declined"}])  # fmt: skip
    said = event("car-1", "complaint", "2026-01-06", complaint="steering feels loose",
                 component=rod, position="L")  # fmt: skip
    seen = looked("car-1", "2026-01-06", found(rod, "failed", "L", safety=True))
    result = answer(tmp_path, car(offer, no, said, seen))
    own = [row for row in rows(result, "plan") if row["component"] == rod]
    assert [(str(row["stage"]), row["place"], row["chance"]) for row in own] == [("must", "L", 1.0)]
    assert own[0]["price"] == pytest.approx(140.0, rel=0.1)
    assert len(result.table("plan").rows) == 1
    assert result.table("plan").marks == (frozenset({Mark.MUST, Mark.SAFETY}),)
    assert len(result.table("plan").evidence[0]) >= 2


@pytest.mark.parametrize(
    ("said", "quoted"),
    [
        ("brake pedal low", "brake pedal low"),
        ("radio dead, smells of fuel inside", "smells of fuel inside"),
        ("Steering wanders and the lamp is on", "Steering wanders"),
        ("huele a gasolina", "huele a gasolina"),
        ("Starts and dies, does not fire", ""),
        ("burns oil", ""),
        ("rough idle", ""),
    ],
)
def test_what_somebody_can_get_hurt_by_is_looked_at_first(
    tmp_path: Path, said: str, quoted: str
) -> None:
    """Pads found worn beside a low pedal are no cause that somebody found (common practice)."""
    told = event("car-1", "complaint", "2026-01-06", complaint=said)
    worn = looked("car-1", "2026-01-06", found("brake.pad", "wearing", "front", (3.0, "mm")))
    result = answer(tmp_path, car(told, worn))
    must = [str(row["what"]) for row in rows(result, "plan") if row["stage"] == "must"]
    assert must == [f"find the cause of “{quoted}” before it is driven on"] * bool(quoted)
    # Nothing is asked for twice.
    asked = [row for row in rows(result, "plan") if quoted in str(row["what"]) and quoted]
    assert len(asked) == len(must)
    if quoted:
        assert next(iter(ways(result))) == "safety only"


def test_a_danger_whose_cause_was_found_is_no_second_job(tmp_path: Path) -> None:
    told = event("car-1", "complaint", "2026-01-06", complaint="steering loose",
                 component="steering.tie_rod_outer", position="L")  # fmt: skip
    bad = looked("car-1", "2026-01-06", found("steering.tie_rod_outer", "failed", "L", safety=True))
    must = [str(row["what"]) for row in rows(answer(tmp_path, car(told, bad)), "plan")]
    assert must == ["outer tie rod end L"]


@pytest.mark.parametrize(
    ("component", "condition", "stage", "why"),
    [
        ("brake.hose", "failed", "must", "somebody can get hurt"),
        ("hvac.blower", "failed", "should", "failed"),
        ("electrical.battery", "wearing", "should", "its failure stops the vehicle"),
        ("suspension.strut", "wearing", "can wait", "neither failed nor asked for"),
    ],
)
def test_each_job_stands_where_its_sentence_says(
    tmp_path: Path, component: str, condition: str, stage: str, why: str
) -> None:
    result = answer(tmp_path, car(looked("car-1", "2026-01-06", found(component, condition))))
    (row,) = rows(result, "plan")
    assert (str(row["stage"]), str(row["why"])[: len(why)]) == (stage, why)


def test_what_brings_another_down_is_done_with_it(tmp_path: Path) -> None:
    """A leaking cover gasket floods the plug well: the coil fails again (common practice)."""
    looks = looked("car-1", "2026-01-06", found("engine.cover_gasket", "wearing"),
                   found("ignition.coil", "failed", "3"))  # fmt: skip
    row = next(row for row in rows(answer(tmp_path, car(looks)), "plan")
               if row["component"] == "engine.cover_gasket")  # fmt: skip
    assert str(row["why"]) == "brings down ignition coil cylinder 3"


PARTS = ("brake.hose", "brake.pad", "brake.rotor", "hvac.blower", "electrical.battery",
         "suspension.strut", "engine.drive_belt", "wheel.bearing")  # fmt: skip


def test_what_a_chain_says_to_do_first_cannot_wait(tmp_path: Path) -> None:
    """ "Do first" and "can wait" stood beside each other for one mount (common practice)."""
    mount = found("engine.mount", "wearing", "front", note="cracked, engine rocks")
    often = [
        done("car-1", day, "electrical.alternator", "400.00")
        for day in ("2022-09-01", "2023-06-01", "2024-03-01", "2025-01-10", "2025-10-01")
    ]
    # The distances of the five lie within the car's own readings.
    often = [one.model_copy(update={"odometer": 92_000 + 3_500 * n}) for n, one in enumerate(often)]
    result = answer(tmp_path, [*car(*often), looked("car-1", "2026-01-06", mount)])
    job = jobs(result)["engine mount front"]
    assert job["stage"] == "should"
    assert str(job["why"]).startswith(("what stands behind alternator", "brings down alternator"))


@given(st.dictionaries(st.sampled_from(PARTS), st.sampled_from(("failed", "wearing")), min_size=1))
@hypothesis_settings(max_examples=6)
def test_sums_hold_all_jobs_once_and_a_narrower_way_never_costs_more(
    tmp_path_factory: pytest.TempPathFactory, conditions: dict[str, str]
) -> None:
    findings = [found(part, condition) for part, condition in sorted(conditions.items())]
    paid = [done("car-2", f"2025-02-{n + 1:02d}", part, f"{90 + 40 * n}.00", labour_hours=1.0,
                 labour_rate=usd("100.00")) for n, part in enumerate(PARTS)]  # fmt: skip
    events = [*car(looked("car-1", "2026-01-06", *findings)), *car(vehicle="car-2"), *paid]
    result = answer(tmp_path_factory.mktemp("shop"), events)
    plan, sums = rows(result, "plan"), rows(result, "sums")
    assert sum(int(row["jobs"] or 0) for row in sums) == len(plan)
    places = [(row["component"], row["place"]) for row in plan]
    along = "brake.rotor" in conditions and "brake.pad" not in conditions  # new rotors, new pads
    assert len(places) == len(set(places)) == len(conditions) + along
    for row in sums:
        own = [job for job in plan if job["stage"] == row["stage"]]
        whole = sum(float(job["price"] or 0) * float(job["chance"] or 0) for job in own)
        assert float(row["sum"] or 0) == pytest.approx(whole, abs=0.02)
        assert float(row["low"] or 0) <= whole + 0.02 <= float(row["high"] or 0) + 0.04
    now = [row["at_once"] for name, row in ways(result).items() if not name.startswith("let go")]
    assert now == sorted(now)
    assert all(
        0.0 <= row["risk"] <= 1.0 for row in ways(result).values() if row["risk"] is not None
    )


def test_a_part_found_failed_that_stops_it_is_done_on_every_way_that_keeps_it(
    tmp_path: Path,
) -> None:
    """A torn drive belt (common practice, no source) is not "keep as it is, 0"."""
    belt = found("engine.drive_belt", condition="failed", note="ribs torn")
    bought = done("car-1", "2023-01-05", "engine.drive_belt", "90.00", reason="worn_out")
    result = answer(tmp_path, [*car(bought), looked("car-1", "2026-01-08", belt)])
    told = ways(result)
    assert "keep as it is" not in told
    kept = [row for name, row in told.items() if name != "let go as it stands"]
    assert len(kept) == 3
    assert next(iter(told)) == "only what has failed"
    for row in kept:
        assert row["at_once"] == pytest.approx(jobs(result)["accessory drive belt"]["price"])
        assert "belt" not in str(row["left"])


def test_labour_that_two_jobs_share_is_told_once() -> None:
    """Pads come off for the rotors: the low end of their trade hours is spared (catalogue)."""

    def job(component: str, middle: float, *, estimated: bool = False) -> Job:
        price = Price(middle * 0.9, middle, middle * 1.1, "USD", 3, "", estimated=estimated)
        return Job(component, "front", Stage.SHOULD, "", "", price, 1.0, ())

    rotor, pad = job("brake.rotor", 400.0), job("brake.pad", 200.0)
    first, second = labour_once([pad, rotor], 100.0)
    assert first.price == rotor.price
    assert second.shared == "labour shared with brake rotor front is told there"
    assert second.price is not None
    assert second.price.middle < 200.0
    assert sum_of([first, second]).expected < 600.0
    # An estimate for this vehicle has told it once already.
    told = [job("brake.rotor", 400.0), job("brake.pad", 200.0, estimated=True)]
    assert sum_of(labour_once(told, 100.0)).expected == pytest.approx(600.0)
    assert sum_of(labour_once([pad, rotor], None)).expected == pytest.approx(600.0)


def test_of_causes_whose_chances_exceed_one_two_may_be_needed() -> None:
    """Chances of causes that rule each other out come to 1 at the most (the addition rule)."""

    def cause(chance: float, middle: float) -> Job:
        price = Price(middle * 0.9, middle, middle * 1.1, "USD", 3, "")
        return Job("x", "", Stage.SHOULD, "", "", price, chance, (), of=0)

    one = sum_of([cause(0.6, 100.0), cause(0.4, 1000.0)])
    assert (one.low, one.high) == pytest.approx((0.0, 1100.0))
    both = sum_of([cause(0.99, 100.0), cause(0.2, 1000.0)])
    assert (both.low, both.expected, both.high) == pytest.approx((0.0, 299.0, 1210.0))


def test_where_no_inspection_is_asked_for_nothing_is_judged_by_one(tmp_path: Path) -> None:
    looks = looked("car-1", "2026-01-06", found("electrical.battery", "wearing"),
                   found("steering.tie_rod_outer", "failed", "L", safety=True))  # fmt: skip
    profile = {"use": "errands", "inspected_by": "none"}
    events = car(looks, **profile)
    result = answer(tmp_path, events)
    assert "through the inspection" not in ways(result)
    assert any("No inspection is asked for here" in caveat for caveat in result.caveats)
    assert not any("no record" in caveat for caveat in result.caveats)
    # Near home a weak battery stands still at little cost.
    assert str(jobs(result)["battery, 12 volt"]["stage"]) == "can wait"
    (tmp_path / "b").mkdir()
    with view_of(events, tmp_path / "b", as_of=TODAY) as view:
        told = check_analysis(INSPECTION_OUTLOOK, view, {"vehicle": "car-1"})
        fleet = check_analysis(INSPECTION_OUTLOOK, view, {})
        asked = check_analysis(KEEP_OR_SELL, view, {"vehicle": "car-1", "least_parts": 0,
                                                    "inspected_by": "us_federal"})  # fmt: skip
    assert told.headline.startswith("No inspection is asked for here; by the federal rules")
    assert "would fail" not in told.headline
    assert any("1 vehicle is asked for no inspection" in caveat for caveat in fleet.caveats)
    assert "through the inspection" in ways(asked)


def test_who_has_not_said_what_it_is_for_is_told_once_how_to(tmp_path: Path) -> None:
    caveats = answer(tmp_path, car()).caveats
    (said,) = [caveat for caveat in caveats if "no record" in caveat]
    assert said.endswith("roadworn record profile car-1 --use errands --inspected-by none")


def test_to_be_sold_letting_go_comes_first_with_what_to_tell(tmp_path: Path) -> None:
    looks = looked(
        "car-1", "2026-01-06", found("steering.tie_rod_outer", "failed", "L", safety=True)
    )
    result = answer(tmp_path, car(looks, use="to_be_sold"))
    assert str(result.table("options").rows[0][0]) == "let go as it stands"
    assert "To be sold: let go as it stands; brings about 3,000" in result.headline
    assert result.headline.endswith("tell whoever takes it over of outer tie rod end L.")


def test_long_trips_ask_for_more(tmp_path: Path) -> None:
    looks = looked("car-1", "2026-01-06", found("suspension.strut", "wearing", "LF"))
    (row,) = rows(answer(tmp_path, car(looks, use="long_trips")), "plan")
    assert (str(row["stage"]), str(row["why"])) == (
        "should", "somebody can get hurt once it fails, and it goes far"
    )  # fmt: skip


def test_with_an_official_result_on_record_an_inspection_has_to_be_passed(tmp_path: Path) -> None:
    passed = event("car-1", "inspection_result", "2025-09-01", inspection="combined",
                   result="pass", due_date="2026-09-01")  # fmt: skip
    result = answer(tmp_path, [*car(with_code(), passed), *like_cases()])
    row = ways(result)["keep as it is"]
    assert (row["offered"], row["why_not"]) == (
        "no", "an inspection has to be passed within the time"
    )  # fmt: skip
    assert ways(answer(tmp_path / "b", car()))["keep as it is"]["offered"] == "yes"


def test_a_rule_set_that_is_not_there_keeps_no_answer_back(tmp_path: Path) -> None:
    events = [*car(inspected_by="north shire"), *car(vehicle="car-2")]
    with view_of(events, tmp_path, as_of=TODAY) as view:
        result = check_analysis(INSPECTION_OUTLOOK, view, {})
    assert len(result.table("vehicles").rows) == 2
    assert any(caveat.startswith("The rule set north shire of car-1 cannot be read")
               for caveat in result.caveats)  # fmt: skip


def test_each_vehicle_is_judged_by_the_rules_of_its_own_place(tmp_path: Path) -> None:
    own = tmp_path / "strict.toml"
    own.write_text(
        '[rules]\ntitle = "strict rules"\nnote = "Ours."\n[[item]]\nkey = "tread"\n'
        'name = "tire tread"\ncomponents = ["wheel.tire"]\ncitation = "ours"\n'
        'measurement = "tread depth"\nlimit = "6"\nunit = "32nds"\ndirection = "min"\n',
        encoding="utf-8",
    )
    events = [
        e
        for name, profile in (("car-1", {"inspected_by": str(own)}), ("car-2", dict[str, str]()))
        for e in car(
            looked(name, "2026-01-06", found("wheel.tire", "sound", "LF", (4.0, "32nds"))),
            vehicle=name,
            **profile,
        )
    ]
    with view_of(events, tmp_path, as_of=TODAY) as view:
        told = rows(check_analysis(INSPECTION_OUTLOOK, view, {}), "vehicles")
    assert {row["vehicle"]: row["outlook"] for row in told}["car-1"] == "fail"
    assert {row["vehicle"]: row["outlook"] for row in told}["car-2"] != "fail"


def test_what_will_not_last_the_year_is_a_job_though_nobody_found_it_worn() -> None:
    """Nine in ten within the year, or as likely as not by the inspection; the axle is one job."""
    fitted = (("wheel.tire", "LF", 0.97, 0.0), ("wheel.tire", "RF", 0.6, 0.7),
              ("wheel.tire", "LR", 0.6, 0.3), ("brake.pad", "front", 0.95, 0.0))  # fmt: skip
    component, position, soon, by_then = zip(*fitted, strict=True)
    parts: Any = SimpleNamespace(
        size=4, vehicle=("car-1",) * 4, component=component, position=position, price=(None,) * 4,
        started_by=("",) * 4,
    )  # fmt: skip
    pads = Job("brake.pad", "front", Stage.CAN_WAIT, "worn", "", None, 1.0, ())
    made = worn_out(parts, np.array(soon), np.array(by_then), [], [pads])
    assert [(job.component, job.position) for job in made] == [
        ("wheel.tire", "LF"),
        ("wheel.tire", "RF"),
    ]


def test_the_list_and_the_answer_for_one_vehicle_are_one_figure(tmp_path: Path) -> None:
    """They differed where a part was projected by its own measured wear."""
    thin = []
    for on, value, odometer in (
        ("2024-01-05", 8.0, 102_000), ("2025-01-05", 6.5, 108_000), ("2026-01-05", 5.0, 114_000)
    ):  # fmt: skip
        lining = found("brake.pad", "sound", "front", (value, "mm"))
        thin.append(looked("car-1", on, lining, odometer=odometer))
    paid = [done("car-2", f"2025-0{n}-05", part, "200.00", position=at) for n, (part, at) in
            enumerate((("brake.pad", "front"), ("brake.rotor", "front"),
                       ("steering.tie_rod_outer", "L")), start=2)]  # fmt: skip
    bad = found("steering.tie_rod_outer", "failed", "L", safety=True)
    rod = looked("car-1", "2026-01-06", bad)
    events = sorted([*car(*thin, rod), *car(vehicle="car-2"), *paid], key=lambda e: e.occurred_at)
    with view_of(events, tmp_path, as_of=TODAY) as view:
        one = check_analysis(KEEP_OR_SELL, view, {"vehicle": "car-1", "least_parts": 0})
        fleet = rows(check_analysis(KEEP_OR_SELL, view, {"least_parts": 0}), "vehicles")
    monthly = ways(one)["safety only"]["monthly"]
    turn = next(row["turn"] for row in fleet if row["vehicle"] == "car-1")
    assert turn.arguments["monthly"] == pytest.approx(monthly, rel=0.002)


def test_the_roles_of_the_tables_are_there(tmp_path: Path) -> None:
    result = answer(tmp_path, car(looked("car-1", "2026-01-06", found("brake.hose", "failed"))))
    assert all(result.holding(holds) for holds in (Holds.PLAN, Holds.SUMS, Holds.WAYS, Holds.TURNS))


@pytest.mark.parametrize("place", ["front", "rear"])
def test_new_rotors_take_new_pads_of_the_same_axle(tmp_path: Path, place: str) -> None:
    """Common practice, no source: worn pads are not put on new rotors."""
    seen = looked("car-1", "2026-01-06", found("brake.rotor", "failed", place))
    told = rows(answer(tmp_path, car(seen)), "plan")
    rotor, pads = (
        next(row for row in told if row["component"] == part)
        for part in ("brake.rotor", "brake.pad")
    )
    assert (pads["place"], pads["stage"]) == (rotor["place"], rotor["stage"]) == (place, "must")
    assert str(pads["why"]) == f"new ones go with brake rotor {place}"


def test_pads_that_are_a_job_already_are_no_second_one(tmp_path: Path) -> None:
    seen = looked("car-1", "2026-01-06", found("brake.rotor", "failed", "front"),
                  found("brake.pad", "wearing", "LF"))  # fmt: skip
    told = rows(answer(tmp_path, car(seen)), "plan")
    assert [row["component"] for row in told].count("brake.pad") == 1
