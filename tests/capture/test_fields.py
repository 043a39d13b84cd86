"""Single fields changed by ``field=value``, as `roadworn correct` takes them."""

import pytest

from roadworn.bench.fields import change_fields
from roadworn.errors import UsageError
from roadworn.kinds import Inspection, Replacement

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
        with pytest.raises(UsageError, match="has 1 entries"):
            change_fields(Inspection, payload, [change])
