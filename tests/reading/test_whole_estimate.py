"""An estimate as a whole: supplies, tax and totals by the terms, and by those that were stored."""

from decimal import Decimal

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.errors import UsageError
from roadworn.model.estimates import Estimate
from roadworn.reading.estimates import read_estimate, stored_terms, total_of_lines
from roadworn.reading.terms import TAX_SWITCHES, example_terms, parse_terms

TERMS = parse_terms(example_terms())
#: The job of the worked example in `tests/cli/test_estimate_terms.py`.
LINES = [
    "brake pads front, replace 1.8 h + part list 96.00 + part cost 40.00 + core 20.00",
    "wheel alignment, sublet 80.00",
    "fee disposal",
]


def switched(*on: str, deposit: str = "true"):
    text = example_terms().replace("deposit = true", f"deposit = {deposit}")
    for switch in TAX_SWITCHES:
        for was in ("true", "false"):
            text = text.replace(f"\n{switch} = {was}", f"\n{switch} = {str(switch in on).lower()}")
    return parse_terms(text)


@pytest.mark.parametrize(
    ("switch", "taxed", "tax"),
    [
        # 8.25 % of each kind alone, to the cent, half up, by hand.
        ("labour", "252.00", "20.79"),
        ("parts", "168.73", "13.92"),
        ("supplies", "17.64", "1.46"),
        ("sublet", "92.00", "7.59"),
        ("fees", "4.00", "0.33"),
        ("cores", "20.00", "1.65"),
    ],
)
def test_each_switch_taxes_its_kind_alone(switch: str, taxed: str, tax: str) -> None:
    totals = read_estimate(LINES, "", switched(switch))["totals"]
    assert (totals["taxed"]["amount"], totals["tax"]["amount"]) == (taxed, tax)
    assert Decimal(totals["total"]["amount"]) == Decimal("554.37") + Decimal(tax)


def test_no_switch_taxes_nothing() -> None:
    totals = read_estimate(LINES, "", switched())["totals"]
    assert (totals["tax"]["amount"], totals["total"]["amount"]) == ("0.00", "554.37")


def test_supplies_are_capped_once_for_the_whole() -> None:
    """7 % of 600.00 is 42.00, capped at 25.00: in one job or in three."""
    for texts in (
        ["horn 6 h x 100"],
        ["horn 2 h x 100", "wiper blades 2 h x 100", "horn 2 h x 100"],
    ):
        totals = read_estimate(texts, "", TERMS)["totals"]
        assert totals["supplies"]["amount"] == "25.00"


def test_a_core_that_is_not_asked_for_is_no_part_of_the_total() -> None:
    made = read_estimate(LINES, "", switched("parts", "supplies", deposit="false"))
    assert made["totals"]["total"] == made["totals"]["after_core_return"]
    assert made["totals"]["total"]["amount"] == "549.75"
    assert [p["kind"] for p in made["lines"][0]["pieces"]].count("core") == 1


def test_a_price_as_it_stands_gets_no_supplies_and_no_tax() -> None:
    totals = read_estimate(["horn 50.00", "wiper blades -5.00"], "", TERMS)["totals"]
    assert (totals["total"]["amount"], totals["tax"]["amount"]) == ("45.00", "0.00")


def test_the_stored_terms_add_the_whole_and_a_part_up_again() -> None:
    made = read_estimate(LINES, "", TERMS)
    again = total_of_lines(made, [1, 2])
    assert again is not None
    assert f"{again.total}" == made["totals"]["total"]["amount"]
    # Without the alignment: 569.75 less 92.00, which is neither taxed nor labour of this shop.
    part = total_of_lines(made, [1])
    assert part is not None
    assert (f"{part.total}", f"{part.after_core_return}") == ("477.75", "457.75")
    assert stored_terms(made).consent_percent == 10


def test_without_terms_there_are_no_totals() -> None:
    made = read_estimate(["horn 1 h x 100"], "USD")
    assert set(made) == {"lines"}
    assert total_of_lines(made, [1]) is None


@pytest.mark.parametrize(
    ("texts", "currency", "remedy"),
    [
        (["fee disposal"], "", "needs a job"),
        (["horn 5 EUR"], "", "EUR and USD"),
        (["horn 1 h + parts 9 EUR"], "", "EUR and USD"),
        (["horn 5", "wiper blades 5 EUR"], "", "EUR and USD"),
        (["horn 5"], "EUR", "in USD, not in EUR"),
    ],
)
def test_what_cannot_be_added_is_refused(texts: list[str], currency: str, remedy: str) -> None:
    with pytest.raises(UsageError, match=remedy):
        read_estimate(texts, currency, TERMS)


def test_a_fee_on_the_whole_needs_terms() -> None:
    with pytest.raises(UsageError, match="--terms FILE"):
        read_estimate(["horn 5", "fee towing 60"], "USD")


@pytest.mark.parametrize("terms", [TERMS, None])
def test_a_rebate_is_taken_and_a_whole_below_zero_is_not(terms: object) -> None:
    """A rebate may be a line (common practice, no source); the sum that is owed may not."""
    made = read_estimate(["horn 50.00", "horn, rebate -50.00"], "USD", terms)
    assert [line["amount"]["amount"] for line in made["lines"]] == ["50.00", "-50.00"]
    for texts in (["horn -0.01"], ["horn 50.00", "horn, rebate -50.01"]):
        with pytest.raises(UsageError, match="below zero"):
            read_estimate(texts, "USD", terms)


PIECES = st.sampled_from(
    ["1.8 h", "0.35 h diag", "1 h x 95.55", "part cost 3.33 x 3", "part list 9.99", "core 7",
     "sublet 11.11", "fee disposal", "labour 0.05"]
)  # fmt: skip


@given(
    st.lists(st.lists(PIECES, min_size=1, max_size=4), min_size=1, max_size=4),
    st.sets(st.sampled_from(list(TAX_SWITCHES))),
    st.sampled_from(["true", "false"]),
)
def test_every_sheet_adds_up_by_hand_and_fits_the_ledger(
    jobs: list[list[str]], on: set[str], deposit: str
) -> None:
    texts = [f"horn, work 0.00 + {' + '.join(job)}" for job in jobs]
    made = read_estimate(texts, "", switched(*on, deposit=deposit))
    totals = made["totals"]

    def of(name: str) -> Decimal:
        return Decimal(totals.get(name, {"amount": "0"})["amount"])

    lines = sum(Decimal(line["amount"]["amount"]) for line in made["lines"])
    cores = sum(
        Decimal(piece["amount"]["amount"])
        for line in made["lines"]
        for piece in line["pieces"]
        if piece["kind"] == "core"
    )
    assert of("after_core_return") == lines + of("supplies") + of("tax")
    assert of("total") - of("after_core_return") == (cores if deposit == "true" else 0)
    assert of("supplies") <= 25
    given_payload = {key: value for key, value in made.items() if value}
    Estimate.model_validate_json(orjson.dumps(given_payload))
