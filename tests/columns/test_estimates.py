"""Estimates as tables: the whole in one row, each line with what it is made of.

The figures are the worked estimate of `tests/cli/test_estimate_terms.py`, computed by hand.
"""

from decimal import Decimal

from roadworn.reading.estimates import read_estimate
from roadworn.reading.terms import example_terms, parse_terms
from roadworn.testing import event

JOBS = [
    "brake pads front 1.8 h clock 2.1 + part list 96.00 + part cost 40.00 + core 20.00",
    "wheel alignment, sublet 80.00",
    "fee disposal",
]


def d(text: str) -> Decimal:
    return Decimal(text)


def ledger(view_of):
    whole = read_estimate(JOBS, "", parse_terms(example_terms()))
    plain = read_estimate(["horn 40.00", "wiper blades -5.00"], "USD")
    return view_of(
        [
            event("bus-1", "enrolment", "2026-01-01", odometer=10, unit="km"),
            event("bus-1", "estimate", "2026-02-01", **whole),
            event("bus-1", "estimate", "2026-02-02", **plain),
        ]
    )


def test_an_estimate_is_one_row_with_what_the_customer_is_asked_for(view_of):
    rows = ledger(view_of).sql(
        "SELECT lines, jobs, fees, supplies, taxed, tax_percent, tax, total, after_core_return, "
        "currency, consent_percent FROM estimates ORDER BY seq"
    ).rows  # fmt: skip
    assert rows == [
        (2, d("512.73"), d("4"), d("17.64"), d("186.37"), d("8.25"), d("15.38"), d("569.75"),
         d("549.75"), "USD", d("10")),
        (2, d("35"), None, None, None, None, None, None, None, "USD", None),
    ]  # fmt: skip


def test_a_line_keeps_book_and_clock_hours_and_deposits_apart(view_of):
    rows = ledger(view_of).sql(
        "SELECT amount, parts_cost, labour_hours, clock_hours, labour, sublet, fees, core "
        "FROM estimate_lines ORDER BY seq, line"
    ).rows  # fmt: skip
    assert rows == [
        (d("420.73"), d("168.73"), 1.8, 2.1, d("252"), None, None, d("20")),
        (d("92"), None, None, None, None, d("92"), None, None),
        (d("40"), None, None, None, None, None, None, None),
        (d("-5"), None, None, None, None, None, None, None),
    ]


def test_of_two_sides_of_an_axle_put_off_at_once_the_first_line_stands(view_of):
    estimate_id = "00000000-0000-7000-8000-000000000001"
    price = {"amount": "205.00", "currency": "USD"}
    lines = [
        {"line": line, "component": "brake.rotor", "position": position, "amount": price}
        for line, position in enumerate(("RR", "LR", "RF", "LF"), start=1)
    ]
    answers = [{"line": line["line"], "decision": "declined"} for line in lines]
    given = event("bus-1", "estimate", "2026-02-01", lines=lines)
    view = view_of(
        [
            event("bus-1", "enrolment", "2026-01-01", odometer=10, unit="km"),
            given.model_copy(update={"event_id": estimate_id}),
            event("bus-1", "authorisation", "2026-02-02", estimate=estimate_id, decisions=answers),
        ]
    )
    found = view.sql("SELECT line, position FROM declined_work ORDER BY line").rows
    assert found == [(1, "RR"), (3, "RF")]
