"""The outlook for the inspection against the published rules, exactly at their limits."""

from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import builders
import pytest
from builders import found, looked, usd

from roadworn.analysis import Result
from roadworn.model.errors import UsageError
from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn.trade.weight import weigh, weight_of
from roadworn_plugins.inspection import INSPECTION_OUTLOOK
from roadworn_plugins.shared.rule_sets import RULE_SETS, load_rules

TODAY = "2026-06-30"
LOOKED = "2026-06-01"


def enrolled(year: int | None = 2010, **more: Any) -> NewEvent:
    profile = {"model_year": year} if year else {}
    return builders.enrolled("car", odometer=50_000, **profile, **more)


def scanned(readiness: str | None, **more: Any) -> NewEvent:
    payload: dict[str, Any] = {"modules": [{"name": "engine"}], **more}
    if readiness:
        payload["readiness"] = readiness
    return event("car", "scan", "2026-06-20", odometer=50_500, **payload)


def look(*findings: dict[str, Any], day: str = LOOKED, **more: Any) -> NewEvent:
    return looked("car", day, *findings, odometer=50_400, **more)


def outlook(events: list[NewEvent], tmp_path: Path, **settings: Any) -> Result:
    with view_of(events, tmp_path, as_of=TODAY) as view:
        return check_analysis(INSPECTION_OUTLOOK, view, {"vehicle": "car", **settings})


def outcomes(cases: list[tuple[list[NewEvent], str]], tmp_path: Path) -> list[str]:
    """Return what is said of the item named in each case; one ledger, a vehicle a case."""
    events = [
        one.model_copy(update={"vehicle_id": f"car-{n}"})
        for n, (history, _name) in enumerate(cases)
        for one in history
    ]
    with view_of(events, tmp_path, as_of=TODAY) as view:
        return [
            str(
                item(check_analysis(INSPECTION_OUTLOOK, view, {"vehicle": f"car-{n}"}), name)[
                    "outcome"
                ]
            )
            for n, (_history, name) in enumerate(cases)
        ]


def item(result: Result, name: str) -> dict[str, Any]:
    rows = [row for row in result.table("items").records() if str(row["item"]).startswith(name)]
    assert len(rows) == 1, name
    return rows[0]


# Bytes C and D by SAE J1979: E5 supports catalyst, evaporative, oxygen sensor, its heater and
# EGR; D leaves so many of them unfinished.
READY = {0: "0007E500", 1: "0007E501", 2: "0007E505", 3: "0007E525"}


def test_unfinished_monitors_by_model_year(tmp_path: Path) -> None:
    """Model years 1996-2000 two, 2001 and newer one: 66 FR 18155 (5 April 2001) and
    EPA420-R-01-015; exactly at the limit is accepted. 40 CFR 85.2207(a): 1996 and newer."""
    cases = [
        (2000, 2, "pass"),
        (2000, 3, "reject"),
        (2001, 1, "pass"),
        (2001, 2, "reject"),
        (1996, 2, "pass"),
        (2026, 0, "pass"),
        (1995, 3, "not tested"),
    ]
    histories = [([enrolled(year), scanned(READY[n])], "onboard") for year, n, _ in cases]
    assert outcomes(histories, tmp_path) == [outcome for _, _, outcome in cases]


def test_a_spare_is_no_road_wheel_unless_the_rules_name_it(tmp_path: Path) -> None:
    """A tire that lies in the trunk does not roll (common practice, no source)."""
    flat = looked(
        "car",
        "2026-01-05",
        found("wheel.tire", "failed", "spare"),
        *(found("wheel.tire", "sound", one) for one in ("LF", "RF", "LR", "RR")),
    )
    (tmp_path / "s").mkdir()
    assert item(outlook([enrolled(2015), flat], tmp_path / "s"), "tire tread")["outcome"] == "pass"
    own = tmp_path / "spare.toml"
    own.write_text(
        '[rules]\ntitle = "with the spare"\nnote = "Ours."\n[[item]]\nkey = "tread"\n'
        'name = "tire tread"\ncomponents = ["wheel.tire"]\ncitation = "ours"\n'
        'complete = ["LF", "RF", "LR", "RR", "spare"]\n',
        encoding="utf-8",
    )
    told = outlook([enrolled(2015), flat], tmp_path, rules=str(own), emission=False)
    assert item(told, "tire tread")["outcome"] == "fail"


def test_the_lamp_commanded_on_fails_whatever_is_ready(tmp_path: Path) -> None:
    """40 CFR 85.2207(c); 83 07 E5 41 reads lamp on and three codes (SAE J1979)."""
    told = item(outlook([enrolled(2015), scanned("8307E541")], tmp_path), "onboard")
    assert (told["outcome"], told["citation"]) == ("fail", "40 CFR 85.2207(c)")


def test_a_stored_code_with_the_lamp_off_is_no_federal_failure(tmp_path: Path) -> None:
    modules = [{"name": "engine", "codes": [{"code": "P0420", "status": "permanent"}]}]
    events = [enrolled(2015), scanned(READY[0], modules=modules)]
    assert item(outlook(events, tmp_path / "a"), "onboard")["outcome"] == "pass"
    strict = outlook(events, tmp_path / "b", fail_on_permanent=True)
    assert item(strict, "onboard")["outcome"] == "fail"


@pytest.fixture(autouse=True)
def _folders(tmp_path: Path) -> None:
    for name in "abc":
        (tmp_path / name).mkdir()


def test_cleared_just_before_is_sent_back_and_not_passed(tmp_path: Path) -> None:
    """00 07 E5 E5: five supported, none finished. One monitor alone is within the allowance of
    one, and is sent back all the same when it was cleared just before."""
    events = [enrolled(2015), scanned("0007E5E5", distance_since_clear=3.0, distance_unit="km")]
    assert item(outlook(events, tmp_path / "a"), "onboard")["outcome"] == "reject"
    alone = [enrolled(2015), scanned("00070101", distance_since_clear=3.0, distance_unit="km")]
    assert item(outlook(alone, tmp_path / "b"), "onboard")["outcome"] == "reject"
    driven = [enrolled(2015), scanned("00070101", distance_since_clear=900.0, distance_unit="km")]
    assert item(outlook(driven, tmp_path / "c"), "onboard")["outcome"] == "pass"


def test_a_read_out_before_a_long_drive_says_nothing_of_today(tmp_path: Path) -> None:
    later = event("car", "odometer_reading", "2026-06-28", odometer=51_500)
    result = outlook([enrolled(2015), scanned("0007E5E5"), later], tmp_path)
    assert item(result, "onboard")["outcome"] == "not known"


def test_allowances_are_settings(tmp_path: Path) -> None:
    events = [enrolled(2015), scanned(READY[1], distance_since_clear=100.0, distance_unit="km")]
    none = outlook(events, tmp_path / "a", allowed_not_ready=0)
    assert item(none, "onboard")["outcome"] == "reject"
    far = outlook(events, tmp_path / "b", least_km_since_clear=160)
    assert item(far, "onboard")["outcome"] == "reject"


def wheels(depth: float, unit: str = "32nds") -> list[dict[str, Any]]:
    return [found("wheel.tire", "sound", p, (depth, unit)) for p in ("LF", "RF", "LR", "RR")]


def test_tread_at_the_limit_passes(tmp_path: Path) -> None:
    """49 CFR 570.9(a): not less than 2/32 in at 10,000 lb or less; 570.62(a) and 393.75(b):
    4/32 in at the front of heavier ones. 2/32 in = 1.5875 mm exactly."""
    cases = [
        (2, "32nds", "6,000 lb", "pass"),
        (1.9, "32nds", "6,000 lb", "fail"),
        (1.5875, "mm", "6,000 lb", "pass"),
        (1.58, "mm", "6,000 lb", "fail"),
        (0.0625, "in", "6,000 lb", "pass"),
        (4, "32nds", "26,000 lb", "pass"),
        (3.9, "32nds", "26,000 lb", "fail"),
    ]
    histories = [
        (
            [enrolled(weight_class=weight), look(*wheels(depth, unit))],
            "tire tread, front" if weight == "26,000 lb" else "tire tread",
        )
        for depth, unit, weight, _ in cases
    ]
    assert outcomes(histories, tmp_path) == [case[-1] for case in cases]


def test_play_and_runout(tmp_path: Path) -> None:
    cases = [
        # 49 CFR 570.7(b): linkage play not over 1/4 in at the tread.
        ("steering.tie_rod_outer", 0.25, "in", "steering linkage", "pass"),
        ("steering.tie_rod_outer", 6.36, "mm", "steering linkage", "fail"),
        # 49 CFR 570.10(b): bead runout not over 1/8 in.
        ("wheel.rim", 0.125, "in", "wheel rims", "pass"),
        ("wheel.rim", 0.126, "in", "wheel rims", "fail"),
        # 49 CFR 570.7 Table 1: 2 in at 16 in or less, 2 3/4 at 22: in between the size decides.
        ("steering.column", 2.0, "in", "steering wheel", "pass"),
        ("steering.column", 2.3, "in", "steering wheel", "not known"),
        ("steering.column", 2.8, "in", "steering wheel", "fail"),
    ]
    histories = [
        (
            [enrolled(weight_class="5,000 lb"), look(found(part, "wearing", None, (v, unit)))],
            name,
        )
        for part, v, unit, name, _ in cases
    ]
    assert outcomes(histories, tmp_path) == [case[-1] for case in cases]


def test_the_size_of_the_steering_wheel_settles_its_play(tmp_path: Path) -> None:
    events = [enrolled(), look(found("steering.column", "sound", None, (2.25, "in")))]
    at_limit = outlook(events, tmp_path / "a", steering_wheel_in=Decimal(18))
    assert item(at_limit, "steering wheel")["outcome"] == "pass"
    smaller = outlook(events, tmp_path / "b", steering_wheel_in=Decimal(17))
    assert item(smaller, "steering wheel")["outcome"] == "fail"


def test_lining_at_the_limit_passes(tmp_path: Path) -> None:
    cases = [
        ("9,000 lb", 0.79375, "pass"),  # 1/32 in, 49 CFR 570.5 (from memory, check)
        ("9,000 lb", 0.79, "fail"),
        ("12,000 lb", 1.5875, "pass"),  # 1/16 in, 49 CFR 570.59(c)
        ("12,000 lb", 1.58, "fail"),
    ]
    histories = []
    for weight, value, _ in cases:
        pads = [found("brake.pad", "wearing", p, (value, "mm")) for p in ("front", "rear")]
        histories.append(([enrolled(weight_class=weight), look(*pads)], "brake lining"))
    assert outcomes(histories, tmp_path) == [case[-1] for case in cases]


def test_not_looked_at_is_not_known_and_never_a_pass(tmp_path: Path) -> None:
    three = wheels(6)[:3]
    result = outlook([enrolled(), look(*three)], tmp_path / "a")
    assert item(result, "tire tread")["outcome"] == "not known"
    assert "RR" in item(result, "tire tread")["detail"]
    assert item(result, "horn")["outcome"] == "not known"
    assert result.table("vehicles").records()[0]["outlook"] == "not known"
    nothing = outlook([enrolled()], tmp_path / "b")
    assert {row["outcome"] for row in nothing.table("items").records()} == {"not known"}


def test_one_side_seen_asks_for_the_other(tmp_path: Path) -> None:
    cases = [
        ([found("lighting.headlamp", "sound", "R")], "headlamps", "not known"),
        ([found("lighting.headlamp", "sound", p) for p in "LR"], "headlamps", "pass"),
        ([found("lighting.headlamp", "sound")], "headlamps", "pass"),
        ([found("suspension.strut", "sound", p) for p in ("LF", "RF")], "springs", "pass"),
        ([found("suspension.ball_joint", "sound", "LF-lower")], "springs", "not known"),
        ([found("wheel.tire", "sound", "2L-inner", (9, "32nds"))], "tire tread", "not known"),
    ]
    histories = [([enrolled(), look(*findings)], name) for findings, name, _ in cases]
    assert outcomes(histories, tmp_path) == [case[-1] for case in cases]


def test_a_new_part_at_a_place_nobody_named_is_known(tmp_path: Path) -> None:
    lamps = [replaced("2026-06-02", side, "lighting.headlamp") for side in "LR"]
    cases = [([enrolled(), *lamps], "headlamps"), ([enrolled(), lamps[0]], "headlamps")]
    assert outcomes(cases, tmp_path) == ["pass", "not known"]


def test_named_as_not_checked_is_not_known_even_when_the_rest_is_sound(tmp_path: Path) -> None:
    result = outlook(
        [enrolled(), look(rest="sound", not_checked=[{"component": "electrical.horn"}])], tmp_path
    )
    assert item(result, "horn")["outcome"] == "not known"
    assert item(result, "mirrors")["outcome"] == "pass"


def test_an_old_look_is_no_look_but_an_old_failure_stays(tmp_path: Path) -> None:
    old = look(
        found("electrical.horn", "sound"), found("body.mirror", "failed", "L"), day="2026-01-02"
    )
    result = outlook([enrolled(), old], tmp_path, look_days=100)
    assert item(result, "horn")["outcome"] == "not known"
    assert item(result, "mirrors")["outcome"] == "fail"


def replaced(day: str, position: str | None = "L", component: str = "body.mirror", **more: Any):
    where = {"position": position} if position else {}
    return builders.replaced("car", day, component, **where, **more)


def test_work_after_the_look_puts_it_right(tmp_path: Path) -> None:
    cases = [
        (LOOKED, "L", "pass"),
        ("2026-06-10", None, "pass"),
        ("2026-05-30", "L", "fail"),
        ("2026-06-10", "R", "fail"),
    ]
    mirrors = look(found("body.mirror", "failed", "L"), found("body.mirror", "sound", "R"))
    histories = [
        ([enrolled(), mirrors, replaced(day, place)], "mirrors") for day, place, _ in cases
    ]
    assert outcomes(histories, tmp_path) == [case[-1] for case in cases]


def test_pads_replaced_by_the_axle_put_a_wheel_right(tmp_path: Path) -> None:
    pads = [
        found("brake.pad", "failed", "LF", (0.2, "mm")),
        found("brake.pad", "sound", "rear", (6, "mm")),
    ]
    events = [enrolled(), look(*pads), replaced("2026-06-02", "front", "brake.pad")]
    assert item(outlook(events, tmp_path), "brake lining")["outcome"] == "pass"


def price(amount: str) -> dict[str, str]:
    return usd(amount)


def test_the_cost_to_pass_is_what_the_same_work_has_cost(tmp_path: Path) -> None:
    past = [
        replaced(f"{year}-02-05", "R", parts_cost=price(cost))
        for year, cost in ((2023, "80.00"), (2024, "100.00"), (2025, "140.00"))
    ]
    events = [enrolled(), *past, look(found("body.mirror", "failed", "L")), scanned("8107E500")]
    result = outlook(events, tmp_path)
    row = result.table("vehicles").records()[0]
    assert (row["outlook"], row["cost"], row["unpriced"]) == ("fail", 100.0, 1)
    assert result.estimates[0].value == 100.0
    assert result.evidence()


def test_an_area_without_inspection_says_what_would_have_failed(tmp_path: Path) -> None:
    events = [enrolled(), look(found("body.mirror", "failed", "L"))]
    result = outlook(events, tmp_path, inspected=False)
    assert result.headline.startswith("No inspection is asked for here")
    assert "would have failed on mirrors" in result.headline


def test_the_local_rule_is_always_named(tmp_path: Path) -> None:
    assert "Check your local rule" in outlook([enrolled()], tmp_path).caveats[0]


def truck(*findings: dict[str, Any], **more: Any) -> list[NewEvent]:
    return [enrolled(weight_class="33,000 lb"), look(*findings, **more)]


def sized(finding: dict[str, Any], name: str, value: float) -> dict[str, Any]:
    size = {"value": value, "unit": "in", "name": name}
    return {**finding, "measurements": [*finding.get("measurements", ()), size]}


def test_a_size_recorded_once_settles_the_limit_from_then_on(tmp_path: Path) -> None:
    """49 CFR 570.60: Table 2, 22 in, 2 3/4 in of free play; Table 3, 18.01 in or more, 1/2 in."""
    earlier = [
        sized({"component": "steering.column", "condition": "not_checked"}, WHEEL, 22),
        sized(found("wheel.rim", "sound", "1L"), "rim diameter", 22.5),
    ]
    history = [
        enrolled(weight_class="33,000 lb"),
        look(*earlier, day="2026-02-01"),
        look(
            found("steering.column", "sound", None, (2.75, "in")),
            found("steering.tie_rod_outer", "sound", "L", (0.5, "in")),
            found("steering.tie_rod_outer", "sound", "R", (0.51, "in")),
        ),
    ]
    result = outlook(history, tmp_path / "a")
    # The diameter is no free play of 22 in.
    assert item(result, "steering wheel")["outcome"] == "pass"
    linkage = item(result, "steering linkage")
    assert (linkage["outcome"], "R" in str(linkage["detail"])) == ("fail", True)
    without = outlook([history[0], history[2]], tmp_path / "b")
    assert item(without, "steering wheel")["outcome"] == "not known"
    assert "record it once, as 'steering wheel diameter" in str(
        item(without, "steering wheel")["detail"]
    )
    # A setting for those of which nobody wrote it down, and no more than that.
    given = outlook(history, tmp_path / "c", steering_wheel_in=16)
    assert item(given, "steering wheel")["outcome"] == "pass"


WHEEL = "steering wheel diameter"


def test_the_columns_for_commercial_vehicles_are_a_setting(tmp_path: Path) -> None:
    """49 CFR 393.209(b), from memory, to be checked: 18 in, 2 1/4 manual and 4 3/4 in power."""
    play = sized(found("steering.column", "sound", None, (4.75, "in")), WHEEL, 18)
    told = {
        column: item(outlook(truck(play), tmp_path / folder, steering=column), "steering wheel")
        for column, folder in (("", "a"), ("manual", "b"), ("power", "c"))
    }
    assert [told[c]["outcome"] for c in ("", "manual", "power")] == ["fail", "fail", "pass"]
    assert "393.209(b)" in str(told["power"]["citation"])


def test_air_brakes_are_asked_about_where_they_are_on_record(tmp_path: Path) -> None:
    hydraulic = outlook(truck(found("brake.shoe", "sound", "1", (0.1, "in"))), tmp_path / "a")
    names = {row["item"] for row in hydraulic.table("items").records()}
    assert not {name for name in names if "air" in str(name)}
    # 49 CFR 570.59(c): 1/16 in; the 1/4 in of 393.47(d) is for air drums.
    chambers = [
        {**found("brake.air_chamber", "sound", place, (1.9, "in")), "note": "chamber type 30"}
        for place in ("1L", "1R")
    ]
    air = outlook(truck(found("brake.shoe", "sound", "2", (0.1, "in")), *chambers), tmp_path / "b")
    assert item(air, "lining, other axles")["outcome"] == "fail"
    assert item(air, "air brake chamber")["outcome"] == "pass"
    assert item(air, "low air")["outcome"] == "not known"
    # Pads are nowhere on record, so nobody is asked for them.
    names = {row["item"] for row in air.table("items").records()}
    assert "lining, air disc" not in names


def test_a_strip_and_two_pads_have_two_limits(tmp_path: Path) -> None:
    """49 CFR 393.47(d)(1): 3/16 in for a continuous strip, 1/4 in for two pads."""

    def steer(*notes: str) -> list[NewEvent]:
        shoes = [
            {**found("brake.shoe", "sound", "1", (0.2, "in")), **({"note": n} if n else {})}
            for n in notes
        ]
        return truck(*shoes, found("brake.slack_adjuster", "sound", "1L"))

    told = [
        item(outlook(steer(note), tmp_path / folder), "lining, steer axle")["outcome"]
        for note, folder in (("lining kind strip", "a"), ("Lining kind: two pads", "b"), ("", "c"))
    ]
    assert told == ["pass", "fail", "not known"]


def test_a_shop_can_give_its_own_rules(tmp_path: Path) -> None:
    own = tmp_path / "ours.toml"
    own.write_text(
        '[rules]\ntitle = "rules of our county"\nnote = "Ours."\n'
        '[[item]]\nkey = "tread"\nname = "tire tread"\ncomponents = ["wheel.tire"]\n'
        'measurement = "tread depth"\nunit = "32nds"\nlimit = "3"\ndirection = "min"\n'
        'citation = "county rule 7"\nmark = "R"\nsure = "sure"\n'
    )
    result = outlook([enrolled(), look(*wheels(2.5))], tmp_path / "a", rules=str(own))
    assert item(result, "tire tread")["outcome"] == "fail"
    assert item(result, "tire tread")["citation"] == "county rule 7"


@pytest.mark.parametrize("text", ["[rules", "[rules]\ntitle='x'\n", "\udcff"])
def test_a_file_that_is_no_rule_set_is_refused_in_one_sentence(text: str, tmp_path: Path) -> None:
    own = tmp_path / "ours.toml"
    own.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(UsageError, match="ours"):
        load_rules(str(own))
    with pytest.raises(UsageError, match="inspection_us_federal"):
        load_rules("nowhere")


OWN_ITEM = (
    '[rules]\ntitle = "t"\nnote = "n"\n[[item]]\nkey = "tread"\nname = "tread"\n'
    'components = ["wheel.tire"]\nmeasurement = "depth"\nunit = "32nds"\nlimit = "3"\n'
    'direction = "min"\ncitation = "ours"\n'
)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            ('limit = "3"', 'limt = "3"'),
            "item 1 (tread): 'limt' is no key here (did you mean limit?",
        ),
        (("wheel.tire", "wheel.tyre"), "'wheel.tyre' is no component (did you mean wheel.tire?)"),
        (('"min"', '"mini"'), "direction cannot be 'mini' (did you mean min?)"),
        (('limit = "3"', 'limit = "three"'), "limit cannot be 'three': write a figure"),
        (('unit = "32nds"\n', ""), "the key 'unit' is missing beside its limit"),
        (('limit = "3"\n', ""), "says what is measured and no limit"),
        (('limit = "3"', 'table = "chamber_strok"'), "(did you mean chamber_stroke?)"),
        (("[[item]]", "[[items]]"), "[items]: there is no such section (did you mean item?)"),
        (("[[item]]", "[emission]\nfirst_yaer = 1996\n[[item]]"), "(did you mean first_year?)"),
        (("[[item]]", "[emission]\nfirst_year = true\n[[item]]"), "write a whole number"),
    ],
)
def test_a_slip_in_a_rule_set_is_named_with_what_was_meant(
    change: tuple[str, str], said: str, tmp_path: Path
) -> None:
    own = tmp_path / "ours.toml"
    own.write_text(OWN_ITEM)
    assert load_rules(str(own)).items[0].limit == 3
    assert change[0] in OWN_ITEM
    own.write_text(OWN_ITEM.replace(*change))
    with pytest.raises(UsageError) as caught:
        load_rules(str(own))
    assert said in caught.value.message
    assert "ours.toml" in caught.value.message


def test_every_packaged_item_cites_its_rule() -> None:
    for name in RULE_SETS.names():
        for one in load_rules(name).items:
            assert one.citation
            assert one.mark in {"R", "S", "M", "CP"}
            assert one.limit is None or one.measurement


@pytest.mark.parametrize(
    ("text", "weight"),
    [
        ("10,000 lb", "light"),  # "10,000 pounds or less": 49 CFR 570.1; over it: 570.51
        ("10,001 lb", "heavy"),
        ("4,536 kg", "light"),
        ("Heavy", "heavy"),
        # 49 CFR 565.15 and FHWA, from memory: class 3 begins above 10,000 lb gross weight.
        ("class 3", "heavy"),
        ("class 2b", "light"),
        ("8", "heavy"),
        # UN R.E.3, from memory: M3 above 5 t, N3 above 12 t; N2 is 3.5 to 12 t.
        ("N3", "heavy"),
        ("N2", None),
        # The same line in other writing.
        ("36,000 lbs", "heavy"),
        ("36,000lb", "heavy"),
        ("36k lb GVWR", "heavy"),
        ("15000kg", "heavy"),
        ("16 t", "heavy"),
        ("7,5 t", "heavy"),
        ("3.5t", "light"),
        ("over 10,000 lb", "heavy"),
        ("10,001-14,000 lb", "heavy"),
        ("10,000 lb or less", "light"),
        # What leaves it open, or contradicts itself, or cannot be.
        ("over 6,000 lb", None),
        ("under 26,000 lb", None),
        ("light heavy duty", None),
        ("15.000 kg", None),
        ("36,000", None),
        ("medium", None),
        (None, None),
    ],
)
def test_where_heavy_begins(text: str | None, weight: str | None) -> None:
    assert weight_of(text) == weight


@pytest.mark.parametrize(
    ("profile", "weight", "doubt"),
    [
        ({"weight_class": "36,000lb"}, "heavy", ""),
        ({"weight_class": "medium"}, None, "not understood and taken as light"),
        ({"weight_class": "?", "duty": "air brakes"}, "heavy", "taken as heavy by the duty"),
        ({"vehicle_class": "heavy truck"}, "heavy", "No weight class is on record"),
        ({"weight_class": "light", "duty": "air-braked"}, "light", "says heavy"),
        # A hard life is no weight.
        ({"vehicle_class": "pickup", "duty": "heavy towing"}, None, ""),
        ({}, None, ""),
    ],
)
def test_no_truck_is_taken_as_light_in_silence(
    profile: dict[str, str], weight: str | None, doubt: str
) -> None:
    """What makes a truck of air brakes: common practice, no source."""
    weighed = weigh(profile)
    assert weighed.weight == weight
    assert doubt in weighed.doubt
    assert bool(weighed.doubt) == bool(doubt)


@pytest.mark.parametrize(
    ("before", "after", "outcome"),
    [
        # A look-over that names a place closes what was found there; "everything else sound"
        # does not (our own rule: it must not outweigh an open item of safety).
        (found("electrical.horn", "failed"), (), "fail"),
        (found("electrical.horn", "failed"), (found("electrical.horn", "sound"),), "pass"),
        (found("wheel.tire", "sound", "LF", (1.0, "32nds")), (), "fail"),
        (found("electrical.horn", "wearing"), (), "pass"),
    ],
)
def test_the_rest_being_sound_closes_nothing_that_failed(
    before: dict[str, Any], after: tuple[dict[str, Any], ...], outcome: str, tmp_path: Path
) -> None:
    first = look(before, day="2026-06-01")
    result = outlook([enrolled(), first, look(*after, rest="sound")], tmp_path)
    component = before["component"]
    name = "tire tread" if component == "wheel.tire" else "horn"
    assert item(result, name)["outcome"] == outcome


def official(day: str, result: str, due: str | None, vehicle: str = "car") -> NewEvent:
    more = {"due_date": due} if due else {}
    return event(vehicle, "inspection_result", day, inspection="safety", result=result, **more)


def test_a_read_out_without_codes_ends_what_the_lamp_said(tmp_path: Path) -> None:
    """A battery code with the lamp on; the next day no codes, and nobody read the lamp."""
    code = [{"name": "engine", "codes": [{"code": "P0562", "status": "stored"}]}]
    lit = event("car", "scan", "2026-06-20", modules=code, lamp="on")
    none = event("car", "scan", "2026-06-21", modules=[{"name": "engine", "codes": []}])
    before = item(outlook([enrolled(2015), lit], tmp_path / "a"), "onboard")
    assert before["outcome"] == "fail"
    after = item(outlook([enrolled(2015), lit, none], tmp_path / "b"), "onboard")
    assert after["outcome"] == "not known"
    assert after["detail"] == (
        "no codes on 2026-06-21, after the lamp was on on 2026-06-20; lamp and monitors were not "
        "read then: read them again"
    )
    # A lamp that comes on again counts again.
    again = event("car", "scan", "2026-06-22", modules=code, lamp="on")
    lit_again = outlook([enrolled(2015), lit, none, again], tmp_path / "c")
    assert item(lit_again, "onboard")["outcome"] == "fail"


def test_the_official_result_and_its_due_date_are_shown(tmp_path: Path) -> None:
    events = [enrolled(), official("2025-07-10", "pass", "2026-07-31")]
    result = outlook(events, tmp_path / "a")
    assert "Official safety inspection on 2025-07-10: pass; due 2026-07-31." in result.headline
    (row,) = result.table("official_inspections").records()
    assert (row["result"], row["due"]) == ("pass", date(2026, 7, 31))
    late = outlook([enrolled(), official("2025-06-10", "pass", "2026-06-01")], tmp_path / "b")
    assert "expired on 2026-06-01" in late.headline


def test_a_fleet_is_told_what_runs_out_first_and_short(tmp_path: Path) -> None:
    events = []
    for n, due in enumerate(("2026-05-01", "2026-07-15", "2026-12-01", "2026-06-10")):
        events.append(event(f"v{n}", "enrolment", "2025-01-01", odometer=1_000))
        events.append(official("2025-06-10", "pass", due, f"v{n}"))
    with view_of(events, tmp_path, as_of="2026-06-30") as view:
        result = check_analysis(INSPECTION_OUTLOOK, view, {})
    assert result.headline.startswith(
        "2 official inspections have expired and 1 runs out within 60 days."
    )
    due = result.table("official_inspections").records()
    assert [row["vehicle"] for row in due] == ["v0", "v3", "v1"]
    assert result.tables[0].name == "official_inspections"
    # What nobody looked at is not listed item by item for each vehicle.
    assert all(len(str(row["why"])) < 100 for row in result.table("vehicles").records())


def test_what_has_no_price_is_named_beside_the_sum(tmp_path: Path) -> None:
    past = [
        builders.replaced("old", f"{year}-02-05", "emission.catalyst", parts_cost=price("1138.00"))
        for year in (2019, 2022, 2025)
    ]
    other = event("old", "enrolment", "2018-01-01", odometer=1_000)
    paid = replaced("2024-02-05", "R", parts_cost=price("140.00"))
    code = [{"name": "engine", "codes": [{"code": "P0420", "status": "stored"}]}]
    lit = event("car", "scan", "2026-06-20", modules=code, lamp="on")
    broken = look(found("body.mirror", "failed", "L"), found("electrical.horn", "failed"))
    result = outlook([other, *past, enrolled(), paid, broken, lit], tmp_path)
    assert "for what is known to be needed. Without a price: " in result.headline
    assert "horn" in result.headline
    assert (
        "onboard system, its cause not found yet (points to catalytic converter, 1,138 USD if it "
        "is that)" in result.headline
    )


def test_last_seen_sound_is_said_with_its_day_and_who_left_it_out_since(tmp_path: Path) -> None:
    hoses = [found("brake.hose", "sound"), found("brake.line", "sound")]
    since = event("car", "inspection", "2026-06-29", findings=[found("electrical.horn", "sound")],
                  rest="not_checked")  # fmt: skip
    result = outlook([enrolled(), look(*hoses), since], tmp_path)
    told = item(result, "brake hoses")
    assert told["detail"] == f"last seen sound on {LOOKED}; not checked on 2026-06-29"
    assert told["seen_on"] == date.fromisoformat(LOOKED)
    assert item(result, "horn")["detail"] == "last seen sound on 2026-06-29"
