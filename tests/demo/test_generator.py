"""The demo's generator: the same everywhere, valid, and with what was planted in it.

The planted things are counted by reading the events directly, with none of the project's own
analyses in between; the lives are fitted with lifelines, an independent library.
"""

import hashlib
import itertools
import math
from collections import Counter, defaultdict
from collections.abc import Iterator
from datetime import date
from uuid import UUID

import orjson
import pytest
from lifelines import WeibullFitter
from scipy import stats

from roadworn.model.catalogue import catalogue
from roadworn.model.events import NewEvent
from roadworn.model.kinds import KindRegistry
from roadworn.model.places import normalise_position
from roadworn.trade.vin import decode_vin
from roadworn_demo import DEMO_TODAY, FEATURED, TRUTH, generate
from roadworn_demo.fitting import SUPPLIERS
from roadworn_demo.fleet import Dice, fleet
from roadworn_demo.generator import generate_lines, history, tyre_shop_rows
from roadworn_demo.truth import CLASSES, FIRST_DAY

KM_PER_MILE = 1.609344  # exact: international mile of 1959

#: Digest of all generated events. It changes only when the demo is changed on purpose.
GOLDEN = "d79eca6be15a2d0cba4dfcd982dda864dcb686570c7058fa7ec799fabae10555"


@pytest.fixture(scope="module")
def events() -> list[NewEvent]:
    return list(generate())


def digest(events: list[NewEvent]) -> str:
    lines = (orjson.dumps(e.model_dump(), option=orjson.OPT_SORT_KEYS) for e in events)
    return hashlib.sha256(b"\n".join(lines)).hexdigest()


def of_kind(events: list[NewEvent], kind: str, vehicle: str = "") -> list[NewEvent]:
    return [e for e in events if e.kind == kind and vehicle in ("", e.vehicle_id)]


def miles(event: NewEvent) -> float:
    assert event.odometer is not None
    return event.odometer / KM_PER_MILE if event.odometer_unit == "km" else event.odometer


def fittings(events: list[NewEvent], component: str) -> dict[tuple[str, str], list[NewEvent]]:
    """Replacements of a component by vehicle and position, in order."""
    found = defaultdict(list)
    for event in of_kind(events, "replacement"):
        if event.payload["component"] == component and event.odometer is not None:
            found[event.vehicle_id, event.payload.get("position", "")].append(event)
    return found


def stays(events: list[NewEvent], component: str) -> Iterator[tuple[NewEvent, NewEvent]]:
    """Pairs of a fitting and the one that ended it."""
    for chain in fittings(events, component).values():
        yield from itertools.pairwise(chain)


def test_played_twice_it_is_the_same(events):
    history.cache_clear()
    assert digest(list(generate())) == digest(events)


def test_another_platforms_logarithm_gives_the_same_demo(events, monkeypatch):
    # C libraries differ in the last digit of log; every draw is moved by one such digit.
    exact = math.log
    monkeypatch.setattr(
        "roadworn_demo.fleet.math.log", lambda x: math.nextafter(exact(x), -math.inf)
    )
    history.cache_clear()
    moved = digest(list(generate()))
    history.cache_clear()
    assert moved == digest(events)


def test_it_is_the_demo_that_was_committed(events):
    assert digest(events) == GOLDEN


def test_its_lines_are_the_same_events(events):
    assert [NewEvent.model_validate_json(line) for line in generate_lines()] == events


def test_size_is_that_of_a_small_garage(events):
    assert 8_000 <= len(events) <= 15_000
    assert 55 <= len(of_kind(events, "enrolment")) <= 65
    kinds = {kind.name for kind in KindRegistry()}
    # The page, the counter and the wheels are tried by hands, not played.
    unplayed = {"merge", "photograph", "visit", "wheels", "work_test"}
    # What a fleet's yard says of a vehicle in use is tried in its own tests.
    unplayed |= {"back_in_service", "energy", "hours_reading", "out_of_service"}
    assert {e.kind for e in events} == kinds - unplayed


def test_every_event_validates_and_speaks_the_catalogues_words(events):
    registry, known = KindRegistry(), catalogue()
    for event in events:
        model = registry.get(event.kind).model
        model.model_validate_json(orjson.dumps(event.payload))
        for item in items(event.payload):
            scheme = known.get(item["component"]).positions
            if item.get("position"):
                assert normalise_position(item["position"], scheme) == item["position"], item


def items(value) -> Iterator[dict]:
    if isinstance(value, dict):
        if "component" in value:
            yield value
        for inner in value.values():
            yield from items(inner)
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from items(inner)


def test_times_and_ids_are_in_order(events):
    recorded = [e.recorded_at for e in events]
    assert recorded == sorted(recorded)
    assert len({e.event_id for e in events}) == len(events)
    assert all(UUID(e.event_id).version == 7 for e in events)
    assert [e.event_id[:13] for e in events] == sorted(e.event_id[:13] for e in events)
    assert all(FIRST_DAY.isoformat() <= e.occurred_at <= e.recorded_at[:10] for e in events)
    assert max(recorded)[:10] <= DEMO_TODAY


def test_each_vehicle_is_enrolled_first_and_nothing_follows_its_retirement(events):
    seen, retired = set(), set()
    for event in events:
        assert (event.kind == "enrolment") == (event.vehicle_id not in seen)
        assert event.vehicle_id not in retired
        seen.add(event.vehicle_id)
        if event.kind == "retirement":
            retired.add(event.vehicle_id)
    assert 5 <= len(retired) <= 12


def test_only_names_of_our_own(events):
    enrolments = of_kind(events, "enrolment")
    assert {e.payload["make"] for e in enrolments} == {"Ostrel", "Tavenor", "Brackwell"}
    assert {e.payload["vehicle_class"] for e in enrolments} == set(CLASSES)
    bought = [e.payload for e in of_kind(events, "replacement")]
    assert {p["supplier"] for p in bought} <= {s.name for s in SUPPLIERS}
    assert {p["maker"] for p in bought if "maker" in p} <= {s.part_maker for s in SUPPLIERS}
    for enrolment in enrolments:
        vin = decode_vin(enrolment.payload["vin"])
        assert vin.check_digit == "ok"
        assert enrolment.payload["model_year"] in vin.model_years
        assert vin.vin.startswith("A0")


def test_nobody_is_named(events):
    assert {e.recorded_by for e in events} <= {"front desk", "bench", "bench A", "bench B"}
    for enrolment in of_kind(events, "enrolment"):
        assert enrolment.payload["owner_reference"].startswith("owner-")


def test_bad_batch_can_be_found(events):
    batch = TRUTH.batch
    lives: dict[bool, list[float]] = {True: [], False: []}
    for fitted, ended in stays(events, batch.component):
        in_batch = fitted.payload["part_number"] == batch.part_number
        if in_batch:
            assert fitted.payload["supplier"] == batch.supplier
            assert batch.fitted_from.isoformat() <= fitted.occurred_at
            assert fitted.occurred_at <= batch.fitted_to.isoformat()
        if ended.payload["reason"] == "failed" and miles(ended) > miles(fitted):
            lives[in_batch].append(miles(ended) - miles(fitted))
    assert len(lives[True]) >= 12
    # Observed failures only, so the good ones look shorter than they are; still plain to see.
    assert sum(lives[True]) / len(lives[True]) < 0.6 * sum(lives[False]) / len(lives[False])


def test_part_eater_can_be_found_and_so_can_its_cause(events):
    eater = TRUTH.eater
    since = eater.since.isoformat()
    chains = fittings(events, eater.component)
    eaten = [e for e in chains[eater.vehicle, ""] if e.payload["reason"] == "failed"]
    late = [e for e in eaten if e.occurred_at >= since]
    assert len(late) >= 5
    assert (miles(late[-1]) - miles(late[0])) / (len(late) - 1) < 1.5 * eater.scale_miles
    others = Counter(
        vehicle
        for (vehicle, _), chain in chains.items()
        for e in chain
        if vehicle != eater.vehicle and e.payload["reason"] == "failed"
    )
    assert len(eaten) > 1.5 * max(others.values())
    named = [
        f
        for e in of_kind(events, "inspection", eater.vehicle)
        for f in e.payload["findings"]
        if (f["component"], f.get("position")) == (eater.cause, eater.cause_position)
    ]
    assert len(named) >= 6
    assert {f["condition"] for f in named} == {"wearing"}
    assert (eater.vehicle, eater.cause_position) not in fittings(events, eater.cause)


def test_weak_component_of_one_class_can_be_found(events):
    weak = TRUTH.weak
    classes = {e.vehicle_id: e.payload["vehicle_class"] for e in of_kind(events, "enrolment")}
    failures, driven = Counter(), Counter()
    for event in of_kind(events, "replacement"):
        if (event.payload["component"], event.payload["reason"]) == (weak.component, "failed"):
            failures[classes[event.vehicle_id] == weak.vehicle_class] += 1
    for plan in fleet():
        days = ((plan.leaves_on or date.fromisoformat(DEMO_TODAY)) - plan.enrolled_on).days
        driven[plan.vehicle_class == weak.vehicle_class] += days * plan.daily_miles
    assert failures[True] >= 12
    assert failures[True] / driven[True] > 2 * failures[False] / driven[False]


def test_odometers_have_their_troubles(events):
    truth = TRUTH.odometers
    [exchange] = of_kind(events, "odometer_exchange")
    assert exchange.vehicle_id == truth.exchanged
    assert exchange.payload["old_reading"] > 10_000 > exchange.payload["new_reading"]

    rolled = [e.odometer for e in of_kind(events, "odometer_reading", truth.rolled_over)]
    [drop] = [(a, b) for a, b in itertools.pairwise(rolled) if b < a]
    assert drop[0] > 99_000 > 1_000 > drop[1]
    [enrolment] = of_kind(events, "enrolment", truth.rolled_over)
    assert enrolment.payload["odometer_digits"] == 5

    readings = of_kind(events, "odometer_reading", truth.slip_corrected)
    by_id = {e.event_id: e for e in readings}
    [right] = [e for e in readings if "replaces" in e.payload]
    wrong = by_id[right.payload["replaces"]]
    assert wrong.odometer > right.odometer
    assert sorted(str(wrong.odometer)) == sorted(str(right.odometer))
    assert wrong.occurred_at == right.occurred_at
    assert wrong.recorded_at < right.recorded_at

    [retraction] = of_kind(events, "retraction")
    assert retraction.vehicle_id == truth.entered_on_wrong_vehicle
    [slip] = [e for e in events if e.event_id == retraction.payload["event"]]
    assert (slip.kind, slip.vehicle_id) == ("replacement", retraction.vehicle_id)

    seen = [
        e.odometer
        for e in events
        if e.vehicle_id == truth.lower_left_standing and e.odometer is not None
    ]
    assert sum(b < a for a, b in itertools.pairwise(seen)) == 1


def test_some_histories_begin_before_the_ledger(events):
    parts = Counter(e.payload["parts"] for e in of_kind(events, "enrolment"))
    assert parts["unknown"] >= 10
    assert parts["original"] >= 10
    assert parts["mixed"] >= 5


def test_the_wrong_part_was_sometimes_tried_first(events):
    first = [
        e.payload["note"]
        for e in of_kind(events, "replacement")
        if e.payload.get("note", "").startswith("tried first")
    ]
    assert len(first) >= 5
    assert {note.rpartition(" ")[2] for note in first} <= set(TRUTH.codes.tried_first)


def test_the_featured_car_has_a_story(events):
    coils = fittings(events, "ignition.coil")[FEATURED, "3"]
    assert [e.payload["reason"] for e in coils] == ["failed"] * 6
    estimates = {e.event_id: e for e in of_kind(events, "estimate", FEATURED)}
    last = of_kind(events, "authorisation", FEATURED)[-1]
    lines = {line["line"]: line for line in estimates[last.payload["estimate"]].payload["lines"]}
    declined = [
        lines[d["line"]]["component"]
        for d in last.payload["decisions"]
        if d["decision"] == "declined"
    ]
    assert "engine.cover_gasket" in declined
    value = of_kind(events, "valuation", FEATURED)[-1]
    assert value.occurred_at >= "2026-10-01"
    assert 1_500 <= float(value.payload["value"]["amount"]) <= 4_000
    assert 115_000 <= miles(value) <= 122_000


def test_what_the_tyre_shop_fitted_is_not_generated(events):
    year = str(TRUTH.tyre_shop_year)
    for event in of_kind(events, "replacement"):
        if event.vehicle_id in TRUTH.tyre_shop and event.occurred_at.startswith(year):
            assert event.payload["component"] != "wheel.tire"
    assert len(tyre_shop_rows()) >= 12


@pytest.mark.parametrize("survived", [0.0, 70.0])
def test_weibull_draws_follow_scipy(survived):
    # Reference: scipy.stats.weibull_min; the survivors' law is its own conditional.
    dice, law = Dice("a test of the dice"), stats.weibull_min(2.6, scale=100.0)
    draws = [dice.weibull(2.6, 100.0, survived) for _ in range(4_000)]
    assert min(draws) >= survived - 0.05

    def conditional(x):
        return 1 - law.sf(x) / law.sf(survived)

    assert stats.kstest(draws, conditional).pvalue > 0.01


@pytest.mark.parametrize("component", ["wheel.tire", "brake.pad", "engine.belt_tensioner"])
@pytest.mark.parametrize("vehicle_class", ["delivery van"])
def test_lives_are_those_of_the_truth(events, component, vehicle_class):
    # lifelines fits what was read off the events; parts still fitted count as running.
    plans = {p.vehicle_id: p for p in fleet()}
    end_miles = {}
    for event in events:
        if event.odometer is not None:
            end_miles[event.vehicle_id] = miles(event)
    durations, failed = [], []
    for (vehicle, _), chain in fittings(events, component).items():
        plan = plans[vehicle]
        if plan.vehicle_class != vehicle_class or vehicle in (
            TRUTH.odometers.exchanged,
            *TRUTH.tyre_shop,
        ):
            continue
        for fitted, ended in zip(chain, [*chain[1:], None], strict=True):
            if fitted.payload["part_kind"] == "used":
                continue
            until = miles(ended) if ended else end_miles[vehicle]
            if until > miles(fitted):
                durations.append(until - miles(fitted))
                failed.append(bool(ended) and ended.payload["reason"] in ("failed", "worn_out"))
    fit = WeibullFitter(alpha=0.01).fit(durations, failed)
    low, high = fit.summary.loc["lambda_", ["coef lower 99%", "coef upper 99%"]]
    assert low <= TRUTH.scale(component, vehicle_class) <= high
    low, high = fit.summary.loc["rho_", ["coef lower 99%", "coef upper 99%"]]
    assert low <= TRUTH.life(component).shape <= high
