"""Work over what was approved is said at once; a tenth is the usual share, from memory."""

import pytest
from commandline import Outcome, Run

JOB = "brake pads front, replace 2 h x 100 + parts 200.00"  # 400.00


@pytest.fixture
def approved(shop: Run) -> Run:
    """A vehicle whose customer approved 400.00 USD for the front pads."""
    shop("record", "estimate", "bus-7", JOB, "--currency", "USD", "--on", "2026-05-02")
    done = shop("record", "authorisation", "bus-7", "last", "1=approved", "--on", "2026-05-03")
    assert done.code == 0, done.err
    return shop


def fit(shop: Run, price: str, *words: str, what: str = "brake pads front") -> Outcome:
    done = shop(
        "record", "replacement", "bus-7", what, "--reason", "worn out", "--price", price,
        "--on", "2026-05-04", *words,
    )  # fmt: skip
    assert done.code == 0, done.err
    return done


def test_exactly_at_the_share_no_new_consent_is_asked(approved: Run) -> None:
    assert "consent" not in fit(approved, "440.00 USD").err


def test_a_cent_over_it_is(approved: Run) -> None:
    told = fit(approved, "240.01 USD", "--hours", "2", "--rate", "100 USD").err
    assert "now comes to 440.01 USD, more than 10 % over the 400.00 USD" in told
    assert "approved on 2026-05-03 (line 1 of estimate" in told


def test_work_on_the_same_line_is_added_up(approved: Run) -> None:
    """An axle is one place: what was fitted at each wheel is one job."""
    assert "consent" not in fit(approved, "220.00 USD", what="brake pads LF").err
    assert "comes to 441.00 USD" in fit(approved, "221.00 USD", what="brake pads RF").err
    repaired = approved(
        "record", "repair", "bus-7", "brake pads front", "--price", "1 USD", "--on", "2026-05-05"
    )
    assert "comes to 442.00 USD" in repaired.err


@pytest.mark.parametrize(
    ("price", "what"),
    [
        ("900.00 EUR", "brake pads front"),  # two currencies are never compared
        ("900.00 USD", "brake pads rear"),
        ("900.00 USD", "radiator"),
    ],
)
def test_other_work_is_not_held_against_it(approved: Run, price: str, what: str) -> None:
    assert "consent" not in fit(approved, price, what=what).err


def test_a_corrected_price_is_held_against_it_in_place_of_the_first(approved: Run) -> None:
    first = fit(approved, "300.00 USD").event
    told = approved("correct", first, "price=450.00")
    assert "now comes to 450.00 USD" in told.err


def test_what_was_taken_back_does_not_count(approved: Run) -> None:
    slip = fit(approved, "220.00 USD", what="brake pads LF").event
    approved("retract", slip, "--reason", "slip")
    assert "consent" not in fit(approved, "300.00 USD").err


def test_an_answer_that_was_taken_back_by_a_later_one_approves_nothing(approved: Run) -> None:
    approved("record", "authorisation", "bus-7", "last", "1=declined", "--on", "2026-05-03")
    told = fit(approved, "900.00 USD").err
    assert "more than 10 %" not in told
    assert "declined on 2026-05-03" in told


def test_a_larger_approval_takes_the_place_of_the_first(approved: Run) -> None:
    dearer = JOB.replace("200.00", "700.00")
    approved("record", "estimate", "bus-7", dearer, "--currency", "USD", "--on", "2026-05-03")
    approved("record", "authorisation", "bus-7", "last", "1=approved", "--on", "2026-05-03")
    assert "consent" not in fit(approved, "900.00 USD").err


def test_the_share_is_that_of_the_shops_terms(shop: Run, tmp_path) -> None:
    text = "currency = 'USD'\n[labour]\ndefault = 100\n[consent]\nover_percent = 0"
    (tmp_path / "roadworn.terms.toml").write_text(text, encoding="utf-8")
    shop("record", "estimate", "bus-7", JOB, "--on", "2026-05-02")
    shop("record", "authorisation", "bus-7", "last", "1=approved", "--on", "2026-05-03")
    assert "more than 0 % over the 400.00" in fit(shop, "400.01 USD").err


@pytest.mark.parametrize("answer", ["declined", "deferred"])
def test_work_that_was_put_off_is_said_when_it_is_done(shop: Run, answer: str) -> None:
    """A mechanic did a declined starter and coil, and nothing was said."""
    lines = ("horn 50.00", "ignition coil cyl 2 241.82")
    asked = shop("record", "estimate", "bus-7", *lines, "--currency", "USD", "--on", "2026-05-02")
    shop("record", "authorisation", "bus-7", "last", f"2={answer}", "--on", "2026-05-03")
    told = fit(shop, "376.00 USD", what="ignition coil cyl 2").err
    assert f"was {answer} on 2026-05-03 at 241.82 USD (line 2 of estimate {asked.event})" in told
    assert "now comes to 376.00 USD: is there a consent?" in told
    assert f"record authorisation bus-7 {asked.event} 2=approved" in told


def test_a_price_is_not_needed_to_ask_for_a_consent(shop: Run) -> None:
    shop("record", "estimate", "bus-7", JOB, "--currency", "USD", "--on", "2026-05-02")
    shop("record", "authorisation", "bus-7", "last", "1=declined", "--on", "2026-05-03")
    done = shop(
        "record", "replacement", "bus-7", "brake pads front", "--reason", "failed",
        "--on", "2026-05-04",
    )  # fmt: skip
    assert "declined on 2026-05-03" in done.err


def test_work_on_an_estimate_that_was_never_answered_is_said(shop: Run) -> None:
    shop("record", "estimate", "bus-7", JOB, "--currency", "USD", "--on", "2026-05-02")
    looked = shop(
        "record", "maintenance", "bus-7", "brake pads front", "--action", "inspected",
        "--on", "2026-05-03",
    )  # fmt: skip
    assert "consent" not in looked.err
    told = fit(shop, "480.00 USD").err
    assert "was estimated at 400.00 USD on 2026-05-02 and never answered (line 1 of" in told
    assert "now comes to 480.00 USD: is there a consent?" in told
    assert "consent" not in fit(shop, "480.00 USD", "--allow-repeat").err


def test_what_is_approved_after_it_was_declined_is_not_asked_again(approved: Run) -> None:
    approved("record", "authorisation", "bus-7", "last", "1=declined", "--on", "2026-05-03")
    approved("record", "authorisation", "bus-7", "last", "1=approved", "--on", "2026-05-04")
    assert "consent" not in fit(approved, "400.00 USD").err


@pytest.mark.parametrize("place", ["front", "LF"])
def test_rotors_are_quoted_and_fitted_by_the_axle(shop: Run, place: str) -> None:
    """Work on rotors is done by the axle (common practice, no source)."""
    shop("record", "estimate", "bus-7", "brake rotor front 200.00 USD", "--on", "2026-05-02")
    told = fit(shop, "200.00 USD", what=f"brake rotor {place}").err
    assert "brake rotor front was estimated at 200.00 USD" in told
