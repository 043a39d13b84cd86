"""Single fields changed by ``field=value``, as `roadworn correct` takes them."""

import pytest

from roadworn.model.errors import UsageError
from roadworn.model.payloads import Enrolment, Inspection, Replacement, Retirement
from roadworn.reading.fields import change_fields

PADS = {"component": "brake.pad", "position": "front", "reason": "failed", "quantity": 1}


def test_the_original_stays_as_it_is() -> None:
    changed = change_fields(Replacement, PADS, ["position=rear"])
    assert changed["position"] == "rear"
    assert PADS["position"] == "front"


@pytest.mark.parametrize(
    ("change", "field", "value"),
    [
        ("quantity=2", "quantity", 2),
        ("part_number=12345", "part_number", "12345"),
        ("part-number=007", "part_number", "007"),
        ("labour_hours=1.5", "labour_hours", 1.5),
        ("reason=worn_out", "reason", "worn_out"),
        ("parts_cost=84.50 USD", "parts_cost", {"amount": "84.50", "currency": "USD"}),
        ("component=brake shoes", "component", "brake.shoe"),
        ("note=a=b", "note", "a=b"),
    ],
)
def test_a_value_is_read_as_the_field_wants_it(change: str, field: str, value: object) -> None:
    changed = change_fields(Replacement, PADS, [change])
    assert changed[field] == value
    assert type(changed[field]) is type(value)


def test_an_amount_keeps_the_currency_it_had() -> None:
    payload = PADS | {"parts_cost": {"amount": "5", "currency": "EUR"}}
    changed = change_fields(Replacement, payload, ["parts_cost=6"], currency="USD")
    assert changed["parts_cost"] == {"amount": "6", "currency": "EUR"}


def test_an_empty_value_takes_an_optional_field_away() -> None:
    assert "position" not in change_fields(Replacement, PADS, ["position="])


def test_a_path_reaches_into_lists() -> None:
    payload = {"findings": [{"component": "brake.pad", "condition": "wearing"}]}
    changed = change_fields(Inspection, payload, ["findings.0.condition=failed"])
    assert changed["findings"][0]["condition"] == "failed"


@pytest.mark.parametrize(
    ("change", "remedy"),
    [
        ("positon=LF", "the fields are"),
        ("position", "field=value"),
        ("quantity=many", "cannot be 'many'"),
        ("reason=kaputt", "cannot be 'kaputt'"),
        ("replaces=x", "the fields are"),
        ("parts_cost=84.50", "ROADWORN_CURRENCY"),
        ("findings.0.note=x", "the fields are"),
        ("component=flux thing", "No component"),
    ],
)
def test_each_refusal_names_the_remedy(change: str, remedy: str) -> None:
    with pytest.raises(UsageError) as caught:
        change_fields(Replacement, PADS, [change])
    assert remedy in str(caught.value)


def test_a_place_that_is_not_in_the_list_is_refused() -> None:
    payload = {"findings": [{"component": "brake.pad", "condition": "wearing"}]}
    for change in ("findings.1.note=x", "findings.first.note=x"):
        with pytest.raises(UsageError, match="has 1 entry"):
            change_fields(Inspection, payload, [change])


@pytest.mark.parametrize(
    ("change", "remedy"),
    [
        ("position=banana", "is no position here"),
        ("component=brake rotor LF", "position=LF"),
        ("component=windshield", "has no position"),
        ("price=-5 USD", "below zero"),
        ("price=5 USB", "ISO 4217"),
        ("warranty=24 moons", "24 months 24000 mi"),
    ],
)
def test_a_change_is_checked_as_when_it_is_recorded(change: str, remedy: str) -> None:
    with pytest.raises(UsageError) as caught:
        change_fields(Replacement, PADS, [change])
    assert remedy in str(caught.value)


@pytest.mark.parametrize(
    ("change", "field", "value"),
    [
        ("price=84.50 USD", "parts_cost", {"amount": "84.50", "currency": "USD"}),
        ("hours=2", "labour_hours", 2),
        ("order=W-9", "work_order", "W-9"),
        ("reason=worn out", "reason", "worn_out"),
        ("position=front right", "position", "RF"),
    ],
)
def test_option_words_of_record_are_understood(change: str, field: str, value: object) -> None:
    assert change_fields(Replacement, PADS, [change])[field] == value


def test_a_field_of_its_own_goes_before_an_option_word() -> None:
    changed = change_fields(Retirement, {"reason": "sold"}, ["price=300 USD"])
    assert changed == {"reason": "sold", "price": {"amount": "300", "currency": "USD"}}


def test_days_and_owner_references_are_checked() -> None:
    with pytest.raises(UsageError, match="takes a day"):
        change_fields(Enrolment, {}, ["in_service=2026-13-01"])
    with pytest.raises(UsageError, match="roadworn contact"):
        change_fields(Enrolment, {}, ["owner=Some Body 555 0100"])
    assert change_fields(Enrolment, {}, ["owner=OWNER-12"]) == {"owner_reference": "OWNER-12"}


def test_a_changed_condition_sets_the_safety_mark_anew() -> None:
    payload = {"findings": [{"component": "brake.pad", "condition": "wearing"}]}
    failed = change_fields(Inspection, payload, ["findings.0.condition=failed"])
    assert failed["findings"][0]["safety"] is True
    again = change_fields(Inspection, failed, ["findings.0.condition=sound"])
    assert "safety" not in again["findings"][0]


def test_a_changed_measurement_stays_within_what_can_be() -> None:
    measured = {"value": 3.0, "unit": "mm"}
    finding = {"component": "brake.pad", "condition": "wearing", "measurements": [measured]}
    with pytest.raises(UsageError, match="at most 40 mm"):
        change_fields(Inspection, {"findings": [finding]}, ["findings.0.measurements.0.value=300"])
    with pytest.raises(UsageError, match="voltage"):
        change_fields(Inspection, {"findings": [finding]}, ["findings.0.measurements.0.unit=V"])


def test_what_was_odd_before_does_not_stop_another_change() -> None:
    odd = PADS | {"position": "somewhere"}
    assert change_fields(Replacement, odd, ["quantity=2"])["position"] == "somewhere"


def test_the_currency_inside_an_amount_is_checked_too() -> None:
    payload = PADS | {"parts_cost": {"amount": "5", "currency": "EUR"}}
    with pytest.raises(UsageError, match="ISO 4217"):
        change_fields(Replacement, payload, ["parts_cost.currency=USB"])
    changed = change_fields(Replacement, payload, ["parts_cost.currency=USD"])
    assert changed["parts_cost"]["currency"] == "USD"
