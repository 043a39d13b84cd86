"""Corrections of what was agreed: a warranty in one breath, and amounts that totals rest on."""

from collections.abc import Callable

import pytest
from commandline import Run

History = Callable[[], list[dict[str, object]]]


@pytest.fixture
def fitted(shop: Run) -> str:
    return shop(
        "record", "replacement", "bus-7", "wheel bearing LF", "--reason", "failed",
        "--warranty", "24 months 24000 mi", "--on", "2026-05-04",
    ).event  # fmt: skip


def warranty(history: History) -> tuple[object, ...]:
    payload = history()[-1]["payload"]
    assert isinstance(payload, dict)
    return tuple(payload.get(f"warranty_{name}") for name in ("months", "distance", "unit"))


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("12 months/12,000 mi", (12, 12_000.0, "mi")),
        ("3 years or 60,000 km", (36, 60_000.0, "km")),
        # The whole warranty is said anew: what is not said is not warranted.
        ("12 months", (12, None, None)),
        ("12,000", (None, 12_000.0, "mi")),
        ("", (None, None, None)),
    ],
)
def test_a_warranty_is_corrected_in_one_breath(
    shop: Run, history: History, fitted: str, text: str, kept: tuple[object, ...]
) -> None:
    done = shop("correct", fitted, f"warranty={text}")
    assert done.code == 0, done.err
    assert warranty(history) == kept


def test_one_field_of_a_warranty_is_still_corrected_by_itself(
    shop: Run, history: History, fitted: str
) -> None:
    assert shop("correct", fitted, "warranty_months=6").code == 0
    assert warranty(history) == (6, 24_000.0, "mi")


@pytest.mark.parametrize("text", ["long", "12 moons"])
def test_a_warranty_that_cannot_be_read_is_refused(
    shop: Run, history: History, fitted: str, text: str
) -> None:
    done = shop("correct", fitted, f"warranty={text}")
    assert done.code == 2
    assert "24 months 24000 mi" in done.err
    assert warranty(history) == (24, 24_000.0, "mi")


def test_an_event_without_a_warranty_has_none_to_correct(shop: Run) -> None:
    complaint = shop("record", "complaint", "bus-7", "clunk").event
    done = shop("correct", complaint, "warranty=12 months")
    assert done.code == 2
    assert "the fields are complaint" in done.err


@pytest.fixture
def estimate(shop: Run, tmp_path) -> str:
    text = shop("record", "estimate", "--terms-example").out
    (tmp_path / "roadworn.terms.toml").write_text(text, encoding="utf-8")
    return shop("record", "estimate", "bus-7", "horn 1 h", "fee disposal").event


@pytest.mark.parametrize(
    "change",
    ["lines.0.amount.amount=5.00", "fees.0.amount.amount=9.00", "lines.0.pieces=", "fees="],
)
def test_amounts_below_told_totals_are_not_changed_one_by_one(
    shop: Run, estimate: str, change: str
) -> None:
    done = shop("correct", estimate, change)
    assert done.code == 2
    assert "roadworn record estimate" in done.err


def test_words_and_days_of_such_an_estimate_are(shop: Run, history: History, estimate: str) -> None:
    changes = ["valid_until=2027-01-31", "lines.0.work=both tones", "note=asked twice"]
    done = shop("correct", estimate, *changes)
    assert done.code == 0, done.err
    payload = history()[-1]["payload"]
    assert isinstance(payload, dict)
    assert payload["lines"][0]["work"] == "both tones"
    # 140.00, supplies 9.80, fee 4.00, and 8.25 % of the supplies: 0.81.
    assert payload["totals"]["total"]["amount"] == "154.61"


def test_amounts_of_an_estimate_without_totals_are(shop: Run, history: History) -> None:
    plain = shop("record", "estimate", "bus-7", "horn 40.00 USD").event
    assert shop("correct", plain, "lines.0.amount.amount=45.00").code == 0
    payload = history()[-1]["payload"]
    assert isinstance(payload, dict)
    assert payload["lines"][0]["amount"]["amount"] == "45.00"
