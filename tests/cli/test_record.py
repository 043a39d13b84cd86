"""Each kind of event as it is typed, and as it then stands in the ledger."""

from collections.abc import Callable

import pytest
from commandline import Run

from roadworn_cli.record import KINDS

History = Callable[[], list[dict[str, object]]]

TYPED = {
    "reading": (
        ["bus-7", "61,250 mi", "--status", "actual"],
        "odometer_reading",
        {"how": "dash", "status": "actual"},
    ),
    "inspection": (
        ["bus-7", "brake pads front 3 mm wearing", "--rest", "sound"],
        "inspection",
        {"rest": "sound"},
    ),
    "scan": (["bus-7", "P0420", "--lamp", "on"], "scan", {"lamp": "on"}),
    "replacement": (
        ["bus-7", "wheel bearing LF", "--reason", "worn out", "--price", "84.50", "--hours", "1.5",
         "--rate", "95", "--currency", "USD", "--part-number", "X-1", "--maker", "M",
         "--supplier", "S", "--new", "--warranty", "24 months 24000 mi", "--quantity", "1",
         "--along-with", "strut", "--order", "W-9"],
        "replacement",
        {
            "component": "wheel.bearing", "position": "LF", "reason": "worn_out",
            "parts_cost": {"amount": "84.50", "currency": "USD"}, "labour_hours": 1.5,
            "labour_rate": {"amount": "95", "currency": "USD"}, "part_number": "X-1",
            "maker": "M", "supplier": "S", "part_kind": "new", "quantity": 1,
            "along_with": "suspension.strut", "warranty_months": 24,
            "warranty_distance": 24000.0, "warranty_unit": "mi", "work_order": "W-9",
        },
    ),
    "repair": (
        ["bus-7", "brake line", "--cause", "rubbed", "--correction", "new clip"],
        "repair",
        {"component": "brake.line", "cause": "rubbed", "correction": "new clip"},
    ),
    "maintenance": (
        ["bus-7", "engine oil", "--action", "filled"],
        "maintenance",
        {"component": "engine.oil", "action": "filled"},
    ),
    "complaint": (
        ["bus-7", "clunk front left", "--component", "stabilizer link LF"],
        "complaint",
        {"complaint": "clunk front left", "component": "suspension.stabilizer_link"},
    ),
    "estimate": (
        ["bus-7", "brake pads front 180.00", "--currency", "USD", "--valid-until", "2026-06-01"],
        "estimate",
        {"valid_until": "2026-06-01"},
    ),
    "test": (["bus-7", "road test ok"], "work_test", {"test": "test_drive", "result": "passed"}),
    "valuation": (
        ["bus-7", "4,200 USD", "--source", "trade list"],
        "valuation",
        {"value": {"amount": "4200", "currency": "USD"}, "source": "trade list"},
    ),
    "inspection-result": (
        ["bus-7", "safety", "fail", "--item", "horn", "--item", "wipers", "--due", "2027-05-01"],
        "inspection_result",
        {"inspection": "safety", "result": "fail", "items": ["horn", "wipers"]},
    ),
    "profile": (["bus-7", "--duty", "school run"], "profile_change", {"duty": "school run"}),
    "exchange": (
        ["bus-7", "--old", "61,300 mi", "--new", "12"],
        "odometer_exchange",
        {"old_reading": 61300.0, "new_reading": 12.0, "unit": "mi"},
    ),
    "visit": (
        ["bus-7", "arrived", "--promised", "2026-05-06"],
        "visit",
        {"step": "arrived", "promised": "2026-05-06"},
    ),
    "out-of-service": (
        ["bus-7", "waiting for parts", "--days", "3.5"],
        "out_of_service",
        {"cause": "waiting_for_parts", "days": 3.5},
    ),
    "back-in-service": (["bus-7", "--note", "driven"], "back_in_service", {"note": "driven"}),
    "energy": (
        ["bus-7", "42 kwh", "--cost", "9.80 USD", "--fill", "full"],
        "energy",
        {"amount": 42.0, "amount_unit": "kWh", "fill": "full"},
    ),
    "hours": (["bus-7", "4,521.5"], "hours_reading", {"hours": 4521.5}),
    "retirement": (
        ["bus-7", "written-off", "--price", "300 USD"],
        "retirement",
        {"reason": "written_off", "price": {"amount": "300", "currency": "USD"}},
    ),
}  # fmt: skip


def test_every_kind_of_the_table_is_typed_here() -> None:
    elsewhere = {"authorisation", "other", "sale", "merge"}
    assert set(TYPED) | elsewhere == {kind.name for kind in KINDS}


@pytest.mark.parametrize("verb", TYPED)
def test_what_was_typed_is_what_stands(shop: Run, history: History, verb: str) -> None:
    words, kind, fields = TYPED[verb]
    done = shop("record", verb, *words, "--on", "2026-05-04", "--by", "AB")
    assert done.code == 0, done.err
    assert len(done.out.splitlines()) == 1
    assert "2026-05-04" in done.out
    row = history()[-1]
    assert row["kind"] == kind
    assert str(row["event_id"]).endswith(done.event)
    assert row["date"] == "2026-05-04"
    assert row["recorded_by"] == "AB"
    payload = row["payload"]
    assert isinstance(payload, dict)
    assert {name: payload[name] for name in fields} == fields


@pytest.mark.parametrize(
    "kind", ["odometer_reading", "odometer-reading", "Odometer_Reading", "reading"]
)
def test_stored_names_of_kinds_are_taken_with_either_mark(shop: Run, kind: str) -> None:
    assert shop("record", kind, "bus-7", "61,250 mi").code == 0


def test_the_unit_is_the_vehicles_last_one_or_the_environments(
    shop: Run, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop("record", "reading", "bus-7", "61,250")
    assert (history()[-1]["odometer"], history()[-1]["odometer_unit"]) == (61250.0, "mi")
    monkeypatch.setenv("ROADWORN_UNIT", "km")
    shop("record", "reading", "bus-7", "98,700")
    assert history()[-1]["odometer_unit"] == "km"
    shop("record", "reading", "bus-7", "61,400", "--unit", "mi")
    assert history()[-1]["odometer_unit"] == "mi"


def test_without_any_unit_a_figure_is_refused(run: Run) -> None:
    run("create")
    assert run("enrol", "van-1").code == 0
    refused = run("record", "reading", "van-1", "61250")
    assert refused.code == 2
    assert "no unit" in refused.err


def test_the_currency_of_the_environment(
    shop: Run, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROADWORN_CURRENCY", "EUR")
    words = ["record", "maintenance", "bus-7", "engine oil", "--price", "40"]
    assert shop(*words).code == 0
    assert history()[-1]["payload"]["parts_cost"]["currency"] == "EUR"  # type: ignore[index]
    mixed = shop(*words, "--rate", "90 USD")
    assert mixed.code == 1
    assert "cannot be added" in mixed.err


def test_a_lower_reading_is_kept_and_said(shop: Run) -> None:
    lower = shop("record", "reading", "bus-7", "60,999 mi", "--sure")
    assert lower.code == 0
    assert "lower than the last reading, 61,000 mi on 2026-05-01" in lower.err
    assert f"roadworn correct {lower.event}" in lower.err
    assert shop("record", "reading", "bus-7", "61,001 mi").err == ""


def test_an_older_entry_and_an_exchanged_instrument_are_not_lower(shop: Run) -> None:
    assert shop("record", "reading", "bus-7", "50,000 mi", "--on", "2020-01-01").err == ""
    shop("record", "exchange", "bus-7", "--old", "61,300 mi", "--new", "12 mi")
    assert shop("record", "reading", "bus-7", "80").err == ""


def test_a_reading_that_was_taken_back_is_no_last_reading(shop: Run) -> None:
    slip = shop("record", "reading", "bus-7", "612,500 mi", "--sure")
    shop("retract", slip.event, "--reason", "one digit too many")
    assert shop("record", "reading", "bus-7", "61,250 mi").err == ""


def test_a_failed_safety_item_is_said_at_once_with_its_caution(shop: Run) -> None:
    done = shop("record", "inspection", "bus-7", "tie rod end L failed loose")
    assert done.code == 0
    assert "SAFETY: outer tie rod end L failed." in done.err
    # Common practice, no source: no spring is unloaded for a tie rod end, the toe is set after it.
    assert "set the toe after" in done.err
    assert "never under a jack alone" in done.err
    assert "springs" not in done.err
    assert "qualified technician" in done.err
    assert "safe to drive" not in done.err.lower()
    quiet = shop("record", "inspection", "bus-7", "tie rod end R sound")
    assert quiet.err == ""


def test_a_typed_look_over_comes_in_line_by_line(shop: Run, history: History) -> None:
    lines = "# of this morning\nhorn sound\n\nbrake pads front 3 mm wearing\n"
    done = shop("record", "inspection", "bus-7", "-", given=lines)
    assert done.code == 0, done.err
    payload = history()[-1]["payload"]
    assert isinstance(payload, dict)
    assert [f["condition"] for f in payload["findings"]] == ["sound", "wearing"]
    assert shop("record", "inspection", "bus-7", "-", given="# nothing\n").code == 2


def test_a_figure_below_a_limit_that_was_called_sound_is_said(shop: Run) -> None:
    # 49 CFR 570.9(a): not less than 2/32 in.
    done = shop("record", "inspection", "bus-7", "tire RF 1/32 in sound")
    assert done.code == 0
    assert "49 CFR 570.9(a)" in done.err


def test_everything_else_sound_and_not_checked_are_two_answers(shop: Run, history: History) -> None:
    for rest in ("sound", "not-checked"):
        shop("record", "inspection", "bus-7", "horn sound", "--rest", rest)
    told = [row["payload"]["rest"] for row in history()[1:]]  # type: ignore[index]
    assert told == ["sound", "not_checked"]
    assert shop("record", "inspection", "bus-7", "--rest", "sound").code == 0


def test_a_pasted_read_out_is_kept_raw_beside_its_codes(shop: Run, history: History) -> None:
    pasted = "7E8: P0123\nPending: P0171\n"
    done = shop("record", "scan", "bus-7", "-", given=pasted)
    assert done.code == 0, done.err
    payload = history()[-1]["payload"]
    assert isinstance(payload, dict)
    assert payload["raw"] == pasted
    assert {m["name"] for m in payload["modules"]} == {"7E8", "engine"}


def test_codes_point_to_and_never_say_replace(shop: Run) -> None:
    done = shop("record", "scan", "bus-7", "P0420")
    assert "points to" in done.err
    assert "replace" not in done.err


def test_an_estimate_is_answered_line_by_line(shop: Run, history: History) -> None:
    lines = ["brake pads front 180.00", "wiper blades 24"]
    estimate = shop("record", "estimate", "bus-7", *lines, "--currency", "USD")
    answer = shop("record", "authorisation", "bus-7", "last", "1=approved", "2=declined")
    assert answer.code == 0, answer.err
    payload = history()[-1]["payload"]
    assert isinstance(payload, dict)
    assert str(payload["estimate"]).endswith(estimate.event)
    assert [d["decision"] for d in payload["decisions"]] == ["approved", "declined"]
    no_line = shop("record", "authorisation", "bus-7", estimate.event, "3=approved")
    assert no_line.code == 2
    assert "its lines are 1, 2" in no_line.err
    no_estimate = shop("record", "authorisation", "bus-7", answer.event, "1=approved")
    assert no_estimate.code == 2
    assert "name an estimate" in no_estimate.err


def test_the_same_replacement_twice_is_asked_about(shop: Run) -> None:
    words = ["record", "replacement", "bus-7", "radiator", "--reason", "failed", "-o", "61,250 mi"]
    assert shop(*words).code == 0
    again = shop(*words)
    assert again.code == 1
    assert "already" in again.err
    assert shop(*words, "--allow-repeat").code == 0


def test_a_vin_is_kept_as_typed_and_its_check_digit_told(shop: Run, history: History) -> None:
    # 1M8GDM9AXKP042788 is the worked example of 49 CFR 565 (check digit X).
    small = shop("record", "profile", "bus-7", "--vin", "1m8gdm9axkp042788", "--year", "2019")
    assert (small.code, small.err) == (0, "")
    # The year beside it may have been written down long before.
    later = shop("record", "profile", "bus-7", "--year", "2014")
    assert "The VIN gives model year 1989 or 2019, but 2014 is recorded." in later.err
    odd = shop("record", "profile", "bus-7", "--vin", "1M8GDM9A1KP042788")
    assert odd.code == 0
    assert "ask for X" in odd.err
    assert history()[-1]["payload"]["vin"] == "1M8GDM9A1KP042788"  # type: ignore[index]


def test_record_other_writes_any_kind_field_by_field(shop: Run, history: History) -> None:
    done = shop("record", "other", "complaint", "bus-7", "complaint=squeal", "position=LF")
    assert done.code == 0, done.err
    assert history()[-1]["payload"] == {"complaint": "squeal", "position": "LF"}
    assert shop("record", "other", "complaint", "bus-7", "--payload", "{").code == 2
    assert shop("record", "other", "complaint", "bus-7", "--payload", "[]").code == 2
    unknown = shop("record", "other", "myshop.wash", "bus-7")
    assert unknown.code == 2
    assert "no event kind" in unknown.err


def test_what_it_is_for_and_where_it_is_inspected_are_facts_of_a_vehicle(
    run: Run, history: History
) -> None:
    """Stated when it is taken in, changed by its profile, told in its history."""
    run("create")
    words = ("--odometer", "90,000 mi", "--on", "2026-01-01", "--inspected-by", "none")
    assert run("enrol", "car-1", *words, "--use", "long-trips").code == 0
    assert "used for: long trips, no inspection is asked for" in run("history", "car-1").out
    assert run("record", "profile", "car-1", "--use", "errands").code == 0
    asked = run("sql", "SELECT use, inspected_by FROM vehicles").out
    assert asked.split()[-2:] == ["errands", "none"]
    slip = run("enrol", "car-2", *words, "--use", "shopping")
    assert slip.code == 2
    assert "say one of daily, errands, weekend" in slip.err
