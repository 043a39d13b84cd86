"""Causes behind a picture: by hand in small tables, in small histories, and planted in the demo.

The Dirichlet-multinomial is worked by hand here; that the chances are honest on made shops is
tried by tests/simulations/likely_causes.py, whose table stands in the README of the analysis.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from builders import enrolled, found, looked, replaced, scanned
from scipy import special

from roadworn import LedgerView, PluginHost
from roadworn.model.catalogue import catalogue, part_name
from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.likely_causes import LIKELY_CAUSES
from roadworn_plugins.likely_causes.chances import (
    Case,
    Causes,
    Weights,
)
from roadworn_plugins.likely_causes.pictures import load_pictures
from roadworn_plugins.likely_causes.said import CHECKS
from roadworn_plugins.likely_causes.scoring import calibration_slope, scores
from roadworn_plugins.likely_causes.words import clauses, trade_words

COIL, PLUG, GASKET = "ignition.coil", "ignition.spark_plug", "engine.cover_gasket"
CATALYST, SENSOR = "emission.catalyst", "emission.oxygen_sensor"
BY_HAND = Weights(temper=1.0, borrowed=2.0, sharp=1.0, astray=0.0)


def case(cause: str, kind: str = "car", *facts: str, tried: tuple[str, ...] = ()) -> Case:
    return Case(cause, kind, frozenset(facts or ("code:X1",)), frozenset(tried))


def test_one_fact_is_a_dirichlet_multinomial_by_hand() -> None:
    """Three causes, no trade: (n + m p) / (N + m) from all causes alike, to all, to the class.

    With m = 2: all classes, base: coil (4 + 2/3) / 8, plug (2 + 2/3) / 8, gasket (0 + 2/3) / 8.
    """
    cases = [case(COIL), case(COIL), case(COIL, "van"), case(PLUG, "van")]
    cases += [case(COIL, "van", "code:X2"), case(PLUG, "van", "code:X2")]
    causes = Causes.learnt(cases, {}, [COIL, PLUG, GASKET], learn=False)
    assert causes.names == (GASKET, COIL, PLUG)
    everywhere = (np.array([0.0, 4.0, 2.0]) + 2.0 / 3.0) / 8.0
    here = (np.array([0.0, 2.0, 0.0]) + 2.0 * everywhere) / 4.0
    fleet = (np.array([0.0, 3.0, 1.0]) + 2.0 * everywhere) / 6.0
    carried = fleet * here / everywhere
    own = (np.array([0.0, 2.0, 0.0]) + 2.0 * carried / carried.sum()) / 4.0
    assert causes.chances(["code:X1"], "car", weights=BY_HAND) == pytest.approx(own / own.sum())
    assert causes.base("car") == pytest.approx(here)


def test_without_a_case_the_trade_alone_speaks() -> None:
    causes = Causes.learnt([], {"code:X1": {COIL: 1.0, PLUG: 0.5}}, [COIL, PLUG, GASKET])
    chances = dict(
        zip(causes.names, causes.chances(["code:X1"], "car", weights=BY_HAND), strict=True)
    )
    # 301 : 151 : 1 times as likely as by itself.
    assert chances[COIL] == pytest.approx(301 / 453)
    assert chances[GASKET] == pytest.approx(1 / 453)


def test_what_was_tried_without_cure_is_held_against_its_part() -> None:
    cases = [case(COIL, tried=(PLUG,)) for _ in range(5)] + [case(PLUG) for _ in range(5)]
    causes = Causes.learnt(cases, {}, [COIL, PLUG], learn=False)
    before, after = (causes.chances(["code:X1"], "car", tried) for tried in ((), (PLUG,)))
    share = 0.1 * 5.0 / (5 + 5.0)
    plug = causes.names.index(PLUG)
    lowered = before[plug] * share
    assert after[plug] == pytest.approx(lowered / (lowered + 1.0 - before[plug]))


def test_each_case_is_foretold_without_itself() -> None:
    """Of one cause seen once nothing is left when its own case is taken out."""
    cases = [case(COIL), *(case(PLUG) for _ in range(6))]
    causes = Causes.learnt(cases, {}, [COIL, PLUG], learn=False)
    own = causes.chances(["code:X1"], "car", without=cases[0], weights=BY_HAND)
    fresh = Causes.learnt(cases[1:], {}, [COIL, PLUG], learn=False)
    assert own == pytest.approx(fresh.chances(["code:X1"], "car", weights=BY_HAND))


def test_the_facts_count_less_where_they_repeat_each_other() -> None:
    """Twins of one fact say nothing new; a weight below one takes their boldness away."""
    dice = np.random.default_rng(11)
    cases = []
    for _ in range(200):
        coil = dice.random() < 0.5
        seen = dice.random() < (0.75 if coil else 0.25)
        facts = [f"code:{'A' if seen else 'B'}{n}" for n in range(4)]
        cases.append(case(COIL if coil else PLUG, "car", *facts))
    causes = Causes.learnt(cases, {}, [COIL, PLUG])
    assert causes.weights.learnt
    assert causes.weights.temper * causes.weights.sharp <= 0.5
    found = scores(causes)
    assert found is not None
    assert found.full > found.base
    assert found.slope is not None
    assert 0.7 < found.slope < 1.3


def test_the_slope_of_calibration_is_one_for_honest_chances() -> None:
    dice = np.random.default_rng(7)
    logits = dice.normal(size=(4000, 3))
    honest = special.softmax(logits, axis=1)
    true = np.array([dice.choice(3, p=p) for p in honest])
    assert calibration_slope(honest, true) == pytest.approx(1.0, abs=0.1)
    bold = special.softmax(2.0 * logits, axis=1)
    slope = calibration_slope(bold, true)
    assert slope is not None
    assert slope < 0.75


@pytest.mark.parametrize(
    ("said", "fact"),
    [
        ("It shakes at idle", "symptom:misfire"),
        ("Tiembla mucho en frío", "symptom:when-cold"),
        ("Pulls to one side when braking", "symptom:pulls"),
        ("steering feels loose", "symptom:steering-loose"),
        ("No arranca por la mañana", "symptom:no-start"),
        ("hybird warning", "symptom:hybrid-warning"),
        ("overheatng on the hill", "symptom:overheats"),
        ("huele a gasolina", "symptom:smell"),
    ],
)
def test_words_are_read(said: str, fact: str) -> None:
    assert fact in {name for _clause, facts in clauses(said) for name in facts}


@pytest.mark.parametrize(
    "said", ["", "…", "\u202e\x00\ud7ff'; DROP TABLE--", "word:" * 5000, "{0} %s {vehicle}", "=1+1"]
)
def test_any_words_are_taken(said: str) -> None:
    assert isinstance(clauses(said), list)


def test_the_trade_data_names_parts_that_there_are_and_every_check_has_its_words() -> None:
    trade = trade_words()
    known = {component.id for component in catalogue()}
    named = {part for symptom in trade.symptoms.values() for part in symptom.points_to}
    named |= {part for check in trade.checks for part in check.tells}
    named |= {*trade.brings_down, *(p for parts in trade.brings_down.values() for p in parts)}
    assert named - known == set()
    assert {check.name for check in trade.checks} == CHECKS.keys()
    assert all(check.minutes > 0 and check.price >= 0 for check in trade.checks)


def fault(name: str, cause: str, n: int, tried: str | None = None) -> list[NewEvent]:
    """Return a code, what was done, and the scan that says that it stayed away."""
    month = f"2025-{n % 9 + 1:02d}"
    made = [
        enrolled(name, "2025-01-01", odometer=50_000, vehicle_class="car"),
        scanned(name, f"{month}-02", "P0420", odometer=51_000 + n * 1000),
    ]
    if tried:
        made += [
            replaced(name, f"{month}-03", tried, odometer=51_010 + n * 1000),
            scanned(name, f"{month}-15", "P0420", odometer=51_400 + n * 1000),
        ]
    made += [
        replaced(name, f"{month}-16", cause, odometer=51_410 + n * 1000),
        scanned(name, f"{month}-28", odometer=52_500 + n * 1000),
    ]
    return made


def shop() -> list[NewEvent]:
    """Nine cars cured by the catalyst, four of them after a sensor; three by the sensor."""
    made: list[NewEvent] = []
    for n in range(12):
        cause = CATALYST if n < 9 else SENSOR
        made += fault(f"c-{n}", cause, n, SENSOR if n < 4 else None)
    made += [
        enrolled("new", "2025-10-01", odometer=60_000, vehicle_class="car"),
        scanned("new", "2026-01-10", "P0420", odometer=61_000),
    ]
    return made


def test_cases_are_what_made_it_stay_away_and_what_did_not_is_held_against(tmp_path: Path) -> None:
    with view_of(shop(), tmp_path, as_of="2026-02-01") as view:
        ledgered = load_pictures(view)
        result = check_analysis(LIKELY_CAUSES, view, {"vehicle": "new"})
    causes = [one.cause for one in ledgered.cases]
    assert (causes.count(CATALYST), causes.count(SENSOR)) == (9, 3)
    assert sum(one.tried == {SENSOR} for one in ledgered.cases) == 4
    rows = result.table("likely_causes").records()
    assert [row["component"] for row in rows[:2]] == [CATALYST, SENSOR]
    assert (rows[0]["cases"], rows[0]["like"]) == (9, 12)
    assert 0.5 < rows[0]["chance"] < 0.9
    assert rows[0]["low"] < rows[0]["chance"] < rows[0]["high"]
    assert "points to catalytic converter" in result.headline
    assert "replace" not in result.headline
    assert any("check before replacing" in text for text in result.caveats)
    assert result.table("scores").rows


def test_a_part_tried_just_now_without_cure_falls_behind(tmp_path: Path) -> None:
    more = [
        replaced("new", "2026-01-11", CATALYST, odometer=61_010),
        scanned("new", "2026-01-25", "P0420", odometer=61_400),
    ]
    with view_of([*shop(), *more], tmp_path, as_of="2026-02-01") as view:
        rows = check_analysis(LIKELY_CAUSES, view, {"vehicle": "new"}).table("likely_causes")
    first, second = rows.records()[:2]
    assert first["component"] == SENSOR
    assert second["against"] == "done on 2026-01-11, and it is still open"


def test_no_case_like_it_says_so_and_gives_no_chance(tmp_path: Path) -> None:
    events = [
        enrolled("car", "2026-01-01", odometer=50_000, vehicle_class="car"),
        scanned("car", "2026-01-10", "P0420", odometer=51_000),
        event("car", "complaint", "2026-01-10", complaint="Brakes feel soft, pedal sinks"),
    ]
    with view_of(events, tmp_path, as_of="2026-02-01") as view:
        result = check_analysis(LIKELY_CAUSES, view)
    rows = result.table("likely_causes").records()
    assert rows[0]["component"] == CATALYST
    assert {row["chance"] for row in rows} == {None}
    assert all(str(row["rests_on"]).startswith("no case like it here") for row in rows)
    assert any("Brakes" in text for text in result.caveats)


def one_car(*events: NewEvent) -> list[NewEvent]:
    return [enrolled("car", "2025-01-01", odometer=50_000, vehicle_class="car"), *events]


def said(day: str, words: str) -> NewEvent:
    return event("car", "complaint", day, complaint=words)


@pytest.mark.parametrize(
    ("events", "cause", "tried"),
    [
        # It comes in again with words that say nothing, and another part of the picture is done.
        (
            [said("2025-03-01", "shakes at idle"), replaced("car", "2025-03-02", COIL),
             said("2025-03-20", "please check"), replaced("car", "2025-03-21", PLUG)],
            {PLUG}, {COIL},
        ),
        # The very same is said again months later.
        (
            [said("2025-03-01", "shakes at idle"), replaced("car", "2025-03-02", COIL),
             said("2025-06-10", "shakes at idle"), replaced("car", "2025-06-11", PLUG)],
            {PLUG}, {COIL},
        ),
        # What was done on the same day for something else is neither.
        (
            [said("2025-03-01", "shakes at idle"), replaced("car", "2025-03-02", COIL),
             replaced("car", "2025-03-02", "wheel.tire", reason="worn_out")],
            {COIL}, set(),
        ),
        # Another fault soon after says nothing of the first.
        (
            [said("2025-03-01", "shakes at idle"), replaced("car", "2025-03-02", COIL),
             said("2025-03-20", "hum that rises"), replaced("car", "2025-03-21", "wheel.bearing")],
            {COIL, "wheel.bearing"}, set(),
        ),
    ],
)  # fmt: skip
def test_a_part_that_was_no_cure_is_no_cause(
    events: list[NewEvent], cause: set[str], tried: set[str], tmp_path: Path
) -> None:
    with view_of(one_car(*events), tmp_path, as_of="2025-12-01") as view:
        ledgered = load_pictures(view)
    assert {one.cause for one in ledgered.cases} == cause
    assert {part for part, *_more in ledgered.against["car"]} == tried


def test_each_of_many_facts_counts_less_by_hand() -> None:
    """Two facts with the exponent 0.5: what each adds counts 2^-0.5 of what it does alone."""
    cases = [case(COIL, "car", f"code:X{n % 2}") for n in range(6)] + [case(PLUG)] * 4
    causes = Causes.learnt(cases, {}, [COIL, PLUG], learn=False)
    crowd = Weights(temper=1.0, borrowed=2.0, sharp=1.0, astray=0.0, crowded=0.5)
    each = [np.log(causes.given(f"code:X{n}", "car") / causes.base("car")) for n in (0, 1)]
    logs = np.log(causes.base("car")) + sum(each) * 2.0**-0.5
    expected = np.exp(logs) / np.exp(logs).sum()
    assert causes.chances(["code:X0", "code:X1"], "car", weights=crowd) == pytest.approx(expected)


def test_where_wrong_parts_are_common_and_nothing_confirms_chances_are_made_bolder() -> None:
    sure = [Case(COIL, "car", frozenset({"code:X1"}), frozenset({PLUG}), sure=True)] * 10
    unsure = [case(COIL)] * 10
    learnt = [Causes.learnt(one, {}, [COIL, PLUG]) for one in (sure, unsure, sure + unsure)]
    by_cases = [one.best().sharp for one in learnt]
    ratios = [one.weights.sharp / own for one, own in zip(learnt, by_cases, strict=True)]
    # 1 + 3.2 x unsure share x wrong / (wrong + cases): none unsure; none wrong; half, 10 of 30.
    assert ratios == pytest.approx([1.0, 1.0, 1.0 + 3.2 * 0.5 * 10 / 30])


def test_what_stands_upstream_is_tied_to_the_part_that_keeps_failing(tmp_path: Path) -> None:
    events = [enrolled("car", "2024-01-01", odometer=50_000, vehicle_class="car")]
    for n in range(3):
        events += [
            scanned("car", f"2024-0{2 + 2 * n}-01", "P0303", odometer=52_000 + 4_000 * n),
            replaced(
                "car", f"2024-0{2 + 2 * n}-02", COIL, position="3", odometer=52_010 + 4_000 * n
            ),
            scanned("car", f"2024-0{3 + 2 * n}-01", odometer=53_000 + 4_000 * n),
        ]
    events += [
        scanned("car", "2026-01-10", "P0303", odometer=70_000),
        looked("car", "2026-01-10", found(GASKET, "failed", "1", note="oil in well 3")),
    ]
    with view_of(events, tmp_path, as_of="2026-02-01") as view:
        result = check_analysis(LIKELY_CAUSES, view)
    (row, *_), (chain, *_) = (result.table(n).records() for n in ("likely_causes", "chain"))
    assert (row["component"], row["position"]) == (COIL, "3")
    # What stands behind it is told whole once, in the table of what to do first.
    assert str(row["behind"]).startswith("valve cover or oil pan gasket bank 1 may stand behind it")
    assert chain["sentence"] == (
        "P0303 points to ignition coil cylinder 3, which failed here 3 times; behind it may "
        "stand valve "
        "cover or oil pan gasket bank 1 (oil in well 3): do that first, it spares ignition "
        "coil cylinder 3"
    )


@pytest.mark.parametrize("many", [0, 1])
def test_an_empty_ledger_and_a_single_event_are_answered(many: int, tmp_path: Path) -> None:
    events = [enrolled("car", "2026-01-01", odometer=1)][:many]
    with view_of(events, tmp_path, as_of="2026-02-01") as view:
        result = check_analysis(LIKELY_CAUSES, view)
    assert result.headline.startswith("Nothing is open")
    assert result.table("scores").rows == ()


@pytest.mark.parametrize("said", ["<script>alert(1)</script>", "{part} {0}", "ñandú ruge ✗ \u202e"])
def test_hostile_words_are_quoted_and_break_nothing(said: str, tmp_path: Path) -> None:
    heavy = {"code": "SPN 110 FMI 0", "status": "stored"}
    events: list[Any] = [
        enrolled("car", "2026-01-01", odometer=1),
        event("car", "complaint", "2026-01-10", complaint=said),
        event("car", "scan", "2026-01-10", modules=[{"name": "engine", "codes": [heavy]}]),
    ]
    with view_of(events, tmp_path, as_of="2026-02-01") as view:
        check_analysis(LIKELY_CAUSES, view)


def asked(view: LedgerView, host: PluginHost, vehicle: str) -> tuple[str, list[dict[str, Any]]]:
    result = host.run("likely-causes", view, {"vehicle": vehicle}).result
    told = {r["spared"]: r["sentence"] for r in result.table("chain").records()}
    rows = [
        {**row, "chain": told.get(part_name(str(row["component"]), str(row["position"] or "")))}
        for row in result.table("likely_causes").records()
    ]
    return result.headline, rows


def test_the_demo_ties_coil_three_to_its_gasket(demo_view: LedgerView, host: PluginHost) -> None:
    headline, rows = asked(demo_view, host, "car-9")
    coil = next(row for row in rows if row["component"] == COIL)
    assert (coil["rank"], coil["position"]) == (1, "3")
    assert coil["chance"] > 0.6
    assert coil["chain"] == (
        "P0303 points to ignition coil cylinder 3, which failed here 6 times; behind it may "
        "stand valve "
        "cover or oil pan gasket bank 1 (oil in the plug well of cylinder 3), offered twice since "
        "2025-06-14 (declined twice; last on 2026-06-08 at 235.59 USD); failed since 2026-06-08: "
        "do that first (236 USD), it spares ignition coil cylinder 3 at 121 USD"
    )
    assert (
        "behind ignition coil cylinder 3 may stand valve cover or oil pan gasket bank 1" in headline
    )
    assert f"({coil['chance']:.0%} by all that was seen; it was that in " in headline
    # The misfire upstream may be all there is to the converter's code; or it is a second fault.
    converter = next(row for row in rows if row["component"] == CATALYST)
    assert converter["rests_on"] == "if P0420 is a fault of its own"
    assert str(converter["chain"]).startswith(
        "P0420 points to catalytic converter; behind it may stand ignition coil cylinder 3 "
        "(P0303 is "
        "active), and behind that valve cover or oil pan gasket bank 1"
    )
    assert "P0303" in headline


def test_the_demo_finds_the_misfire_behind_the_converter_and_the_weak_battery(
    demo_view: LedgerView, host: PluginHost
) -> None:
    _headline, rows = asked(demo_view, host, "car-14")
    assert (rows[0]["component"], rows[0]["position"]) == (COIL, "2")
    assert "P0420" in str(rows[0]["picture"])
    _headline, rows = asked(demo_view, host, "car-18")
    assert rows[0]["component"] == "ev.traction_battery"
    assert rows[0]["chance"] is None


def test_codes_are_not_named_for_parts_that_a_complaint_of_brakes_asked_for(tmp_path: Path) -> None:
    # Mixture, misfire and converter codes point to no pad and no tire (SAE J2012, from memory);
    # work of another system while the code stands is no case.
    day = "2026-01-10"
    history = one_car(
        said(day, "squeals when braking, pulls left, check engine light on"),
        looked("car", day, found("engine.cover_gasket", "failed")),
        scanned("car", day, "P0420", "P0302", "P0171"),
        replaced("car", "2026-01-11", "brake.pad", "80.00", position="front"),
        event("car", "repair", "2026-01-11", component="brake.rotor", position="front"),
        event("car", "repair", "2026-01-11", component="wheel.tire", position="RR"),
    )
    with view_of(history, tmp_path, as_of="2026-01-12") as view:
        rows = check_analysis(LIKELY_CAUSES, view).table("likely_causes").records()
    codes = [row["component"] for row in rows if "P0171" in str(row["picture"])]
    assert codes
    assert not [one for one in codes if one.startswith(("brake.", "wheel."))]
    told = [str(row["picture"]) for row in rows if row["component"].startswith("brake.")]
    assert all("P0" not in one for one in told)


def test_a_spare_takes_no_part_in_a_chain(tmp_path: Path) -> None:
    bad = (found("wheel.tire", "failed", "spare"), found("suspension.strut", "failed", "LR"))
    history = one_car(looked("car", "2026-01-10", *bad))
    with view_of(history, tmp_path, as_of="2026-01-12") as view:
        result = check_analysis(LIKELY_CAUSES, view)
    assert "spare" not in "".join(str(t.rows) for t in result.tables if t.name == "chain")
