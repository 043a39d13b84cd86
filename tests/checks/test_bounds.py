"""Figures that cannot be at a part. The bounds are common practice, no source."""

import pytest

from roadworn.checks import payload_findings
from roadworn.checks.measured import check_measurements
from roadworn.checks.odd import check_owner, looks_private
from roadworn.model.amounts import check_currency, currency_codes
from roadworn.model.errors import UsageError
from roadworn.model.messages import Severity


@pytest.mark.parametrize(
    ("component", "value", "unit", "why"),
    [
        ("brake.pad", 41.0, "mm", "at most 40 mm"),
        ("brake.shoe", 1.25, "in", "an axle as in .axle 2"),
        ("wheel.tire", 41.0, "32nds", "at most 40/32 in"),
        ("electrical.battery", 41.0, "V", "at most 40 V"),
        ("wheel.tire", 12.4, "V", "voltage"),
        ("electrical.battery", 3.0, "mm", "length"),
        ("engine.drive_belt", -1.0, "mm", "below zero"),
    ],
)
def test_what_cannot_be_is_refused(component: str, value: float, unit: str, why: str) -> None:
    with pytest.raises(UsageError, match=why):
        check_measurements(component, [{"value": value, "unit": unit}])


@pytest.mark.parametrize(
    ("component", "value", "unit"),
    [
        ("brake.pad", 40.0, "mm"),
        ("wheel.tire", 40.0, "32nds"),
        ("wheel.tire", 35.0, "psi"),
        ("electrical.battery", 28.4, "V"),
        ("wheel.alignment", -1.5, "deg"),
        ("cooling.coolant", -34.0, "°C"),
        ("ev.traction_battery", 396.0, "V"),
    ],
)
def test_what_can_be_is_left_alone(component: str, value: float, unit: str) -> None:
    check_measurements(component, [{"value": value, "unit": unit}])


def test_currency_codes_are_those_of_the_standard() -> None:
    # ISO 4217 list one; that these are in it and the others not is from memory.
    assert {"USD", "EUR", "JPY", "ZAR", "XOF"} <= currency_codes()
    assert not {"XXX", "XTS", "XAU", "USB", "BTC"} & currency_codes()
    assert all(len(code) == 3 and code.isupper() for code in currency_codes())
    assert check_currency("usd") == "USD"
    with pytest.raises(UsageError, match="USD"):
        check_currency("USB")


@pytest.mark.parametrize("reference", ["", "OWNER-12", "o_17", "a.b", "12", "x" * 40])
def test_an_opaque_reference_is_taken(reference: str) -> None:
    assert check_owner(reference) == reference


@pytest.mark.parametrize(
    "reference", ["Orla Venn 555 0100", "Orla Venn", "a@b.example", "555-0100-22", "x" * 41, "é"]
)
def test_a_name_or_a_number_is_no_reference(reference: str) -> None:
    with pytest.raises(UsageError, match="roadworn contact OWNER-12 --name"):
        check_owner(reference)


@pytest.mark.parametrize(
    "text",
    [
        "call Orla on 555 0100",
        "ring (0555) 010 022 before noon",
        "+49 555 010022",
        "mail orla@example.org",
    ],
)
def test_numbers_and_addresses_of_people_are_noticed(text: str) -> None:
    assert looks_private(text)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "torqued to 100 Nm at 61,250 mi on 2026-05-04",
        "order 4711-12, part 12345678",
        "seen at 142 300 km",
        "paid 1 200 EUR",
        "tire 205/55 R16 91V, 35 psi",
        "P0420 P0171",
        "12.4 V, 650 A",
        "batch 2026-05-04 to 2026-06-04",
        "3 of 4 @ 35 psi",
    ],
)
def test_figures_of_the_trade_are_not_taken_for_them(text: str) -> None:
    assert not looks_private(text)


@pytest.mark.parametrize(
    ("kind", "payload", "column"),
    [
        ("replacement", {"done_by": "Bob 330-555-0199"}, "payload.done_by"),
        ("replacement", {"supplier": "Orla 330-555-0199"}, "payload.supplier"),
        ("wheels", {"storage": "with Mrs Venn"}, "payload.storage"),
        ("repair", {"tests": ["test drive", "ring 330-555-0199"]}, "payload.tests"),
        ("estimate", {"lines": [{"pieces": [{"name": "for Mr Venn"}]}]}, "payload.lines[0]"),
        ("work_test", {"test": "o.venn@example.org"}, "payload.test"),
        ("replacement", {"part_number": "330-555-0199"}, ""),  # digits of a part
        ("replacement", {"done_by": "RW"}, ""),
    ],
)
def test_every_text_that_is_written_freely_is_looked_at(
    kind: str, payload: dict[str, object], column: str
) -> None:
    found = [p for p in payload_findings(kind, payload, Severity.ODD) if p.code == "private"]
    assert [p.column.startswith(column) for p in found] == [True] * bool(column)


def test_who_wrote_it_is_looked_at_too() -> None:
    (found,) = payload_findings("odometer_reading", {}, Severity.ODD, "Bob 330-555-0199")
    assert (found.code, found.column) == ("private", "recorded_by")
