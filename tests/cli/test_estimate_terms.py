"""An estimate by a shop's terms through the command line itself.

The worked estimate was computed by hand from the rules of the trade (mark C of
`tests/reference/trade/README.md`): labour 1.8 h x 140.00 = 252.00; a part at list 96.00; a part
at cost 40.00 and 45 % margin 72.73; core charge 20.00; supplies 7 % of labour, cap 25.00: 17.64;
sublet 80.00 + 15 % = 92.00; disposal fee 4.00; tax 8.25 % on parts and supplies (186.37): 15.38.
In all 569.75; 549.75 when the core comes back; with labour taxed too, tax 36.17 on 438.37 and
590.54. Rounding half up to the cent, line by line: common practice, no source.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from commandline import Outcome, Run

History = Callable[[], list[dict[str, object]]]
JOBS = (
    "brake pads front, replace 1.8 h + part list 96.00 + part cost 40.00 + core 20.00",
    "wheel alignment, sublet 80.00",
    "fee disposal",
)
SHEET = """\
Estimate in USD
1) disc brake pads front, replace                                   420.73
     of it labour 1.8 h at 140.00: 252.00
     of it parts: 96.00
     of it parts: 72.73
   core charge, a deposit                                            20.00
2) wheel alignment setting                                           92.00
     of it sublet work: 92.00
all jobs                                                            512.73
fee, disposal                                                         4.00
shop supplies, 7 % of labour                                         17.64
tax, 8.25 % of 186.37                                                15.38
   taxed: parts, supplies
TOTAL                                                               569.75
when the old parts come back                                        549.75
Holds until 2026-06-30.
You are asked again before the work costs more than this estimate.
Parts and labour: 12 months or 12,000 mi, whichever comes first.
"""


@pytest.fixture
def terms(shop: Run, tmp_path: Path) -> Path:
    """The shipped example, written as its user would, beside no ledger."""
    path = tmp_path / "ours.toml"
    path.write_text(shop("record", "estimate", "--terms-example").out, encoding="utf-8")
    return path


def estimate(shop: Run, *words: str) -> Outcome:
    return shop("record", "estimate", "bus-7", *words, "--on", "2026-05-04")


def test_the_worked_estimate_is_typed_shown_and_stored(
    shop: Run, terms: Path, history: History
) -> None:
    done = estimate(shop, *JOBS, "--terms", "ours.toml", "--valid-until", "2026-06-30")
    assert done.code == 0, done.err
    first, _, sheet = done.out.partition("\n")
    assert sheet == SHEET
    assert first.endswith("569.75 USD in all")
    payload = history()[-1]["payload"]
    assert isinstance(payload, dict)
    totals = {
        name: value["amount"]
        for name, value in payload["totals"].items()
        if isinstance(value, dict)
    }
    assert totals == {
        "total": "569.75",
        "after_core_return": "549.75",
        "supplies": "17.64",
        "supplies_cap": "25.00",
        "tax": "15.38",
        "taxed": "186.37",
    }
    assert [fee["name"] for fee in payload["fees"]] == ["disposal"]
    assert payload["terms"].endswith("whichever comes first.")


def test_the_worked_estimate_with_labour_taxed(shop: Run, terms: Path) -> None:
    text = terms.read_text(encoding="utf-8")
    terms.write_text(text.replace("\nlabour = false", "\nlabour = true"), encoding="utf-8")
    told = estimate(shop, *JOBS, "--terms", "ours.toml").out
    assert "tax, 8.25 % of 438.37" in told
    assert told.count("36.17") == 1
    assert "590.54" in told


def test_the_cap_is_said_where_it_bites(shop: Run, terms: Path) -> None:
    told = estimate(shop, "horn 6 h x 100", "--terms", "ours.toml").out
    (row,) = [line for line in told.splitlines() if line.startswith("shop supplies")]
    assert row.split() == ["shop", "supplies,", "7", "%", "of", "labour,", "capped", "25.00"]


OTHER = """\
currency = "USD"
[labour]
default = 100
diag = 120.50
[parts]
by = "matrix"
bands = [{ up_to = 5, markup = 200 }, { up_to = 50, markup = 100 }, { markup = 40 }]
[cores]
deposit = false
[tax]
percent = 10
labour = true
parts = true
supplies = true
sublet = false
fees = false
cores = true
"""
# By hand: 1.5 x 100 = 150, 2 x 120.50 = 241; 5.00 x 3 = 15.00, 5.01 x 2 = 10.02, two at 70.01 are
# 140.02 (50.01 x 1.4 = 70.014); tax 10 % of labour 391.00 and parts 165.04.
OTHER_SHEET = """\
Estimate in USD
1) horn, fit                                                        416.02
     of it labour 1.5 h after 0.5 h of overlap at 100.00 (by the clock 2.4 h): 150.00
     of it diag labour 2 h at 120.50: 241.00
     of it parts: 15.00
     of it parts: 10.02
   core charge, a deposit: 20.00, asked for only when the old part does not come back
2) wiper blade                                                      140.02
     of it parts, 2 of them: 140.02
3) engine air filter                                                 30.00
4) cabin air filter                                                  29.00
     of it price as it stands: 25.00
     of it fee, towing: 4.00
all jobs                                                            615.04
tax, 10 % of 556.04                                                  55.60
   taxed: labour, parts, supplies, core charges
   lines 3, 4 have prices as they stand: no supplies and no tax are added
TOTAL                                                               670.64
"""


def test_other_terms_and_every_other_form_as_a_sheet(shop: Run, tmp_path: Path) -> None:
    (tmp_path / "roadworn.terms.toml").write_text(OTHER, encoding="utf-8")
    done = estimate(
        shop,
        "horn, fit 2 h overlap 0.5 clock 2.4 + 2 h diag + part cost 5 + part cost 5.01 + core 20",
        "wiper blades part cost 50.01 x 2",
        "engine air filter 30.00",
        "cabin air filter 25 + fee towing 4",
    )
    assert done.code == 0, done.err
    assert done.out.partition("\n")[2] == OTHER_SHEET


def test_terms_come_from_the_environment_or_from_beside_the_ledger(
    shop: Run, terms: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert estimate(shop, "horn 1 h").code == 2
    monkeypatch.setenv("ROADWORN_TERMS", str(terms))
    assert "140.00" in estimate(shop, "horn 1 h").out
    monkeypatch.delenv("ROADWORN_TERMS")
    beside = terms.with_name("roadworn.terms.toml")
    beside.write_text("currency = 'EUR'\n[labour]\ndefault = 90", encoding="utf-8")
    assert "90.00 EUR in all" in estimate(shop, "horn 1 h").out
    # What is named goes before what lies there.
    assert "140.00 USD" in estimate(shop, "horn 1 h", "--terms", "ours.toml").out
    # The environment's currency only stands in where the terms name none.
    monkeypatch.setenv("ROADWORN_CURRENCY", "CHF")
    assert "90.00 EUR in all" in estimate(shop, "horn 1 h").out
    beside.write_text("[labour]\ndefault = 90", encoding="utf-8")
    assert "90.00 CHF in all" in estimate(shop, "horn 1 h").out


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[labour]\ndefault = '140'", "default in [labour] is a number"),
        ("[labour]\ndefault = 140\n[suplies]\npercent = 7", "did you mean supplies?"),
        ("[labour", "no TOML"),
        ("[labour]\ndefault = 140\n[tax]\npercent = 8", "whether labour is taxed"),
    ],
)
def test_a_bad_file_is_one_sentence_and_writes_nothing(
    shop: Run, terms: Path, history: History, text: str, told: str
) -> None:
    terms.write_text(text, encoding="utf-8")
    done = estimate(shop, "horn 5", "--terms", "ours.toml", "--currency", "USD")
    assert (done.code, done.out) == (2, "")
    assert "ours.toml" in done.err
    assert told in done.err
    assert len(done.err.splitlines()) == 1
    assert len(history()) == 1


def test_a_file_that_is_not_there_is_said(shop: Run) -> None:
    done = estimate(shop, "horn 5 USD", "--terms", "none.toml")
    assert done.code == 4
    assert "--terms-example" in done.err


def test_what_was_approved_is_added_up_by_the_terms_of_the_estimate(shop: Run, terms: Path) -> None:
    estimate(shop, *JOBS, "--terms", "ours.toml")
    terms.unlink()
    done = shop("record", "authorisation", "bus-7", "last", "1=approved", "2=declined")
    assert "comes to 477.75 USD in all, 457.75 when the old parts come back" in done.err
    told = shop("history", "bus-7", "--declined", "--format", "json").json()
    assert isinstance(told, list)
    assert [(row["line"], float(row["amount"])) for row in told] == [(2, 92.0)]
    none = shop("record", "authorisation", "bus-7", "last", "1=declined")
    assert "comes to" not in none.err


def test_a_hostile_word_in_the_sheet_is_shown_escaped(shop: Run, terms: Path) -> None:
    done = estimate(shop, "horn, \x1b[31mred 1 h", "--terms", "ours.toml")
    assert done.code == 0, done.err
    assert "\x1b" not in done.out
    assert "\\x1b[31mred" in done.out


def test_the_sheet_of_a_stored_estimate_is_printed_again(shop: Run, terms: Path) -> None:
    made = estimate(shop, *JOBS, "--terms", "ours.toml", "--valid-until", "2026-06-30")
    terms.unlink()
    for named in (made.event, "last"):
        again = shop("history", "bus-7", "--estimate", named)
        assert (again.code, again.out) == (0, SHEET)
    shop("retract", made.event, "--reason", "slip")
    assert "was taken back by event" in shop("history", "bus-7", "--estimate", made.event).err
    none = shop("history", "bus-7", "--estimate", "last")
    assert (none.code, none.out) == (2, "")
    assert "has no estimate" in none.err
    both = shop("history", "bus-7", "--estimate", "last", "--declined")
    assert both.code == 2


def test_an_estimate_without_terms_has_a_sheet_as_well(shop: Run) -> None:
    estimate(shop, "horn 1 h x 100 + parts 9", "wiper blades 11", "--currency", "USD")
    told = shop("history", "bus-7", "--estimate", "last").out
    assert "     of it labour 1 h at 100.00: 100.00" in told
    assert told.splitlines()[-2].split() == ["TOTAL", "in", "USD", "120.00"]


def test_tax_on_a_deposit_is_said_to_stay(shop: Run, terms: Path) -> None:
    """Whether it comes back is local law, so the sheet says that it is in the sum."""
    text = terms.read_text(encoding="utf-8")
    terms.write_text(text.replace("\ncores = false", "\ncores = true"), encoding="utf-8")
    told = estimate(shop, *JOBS, "--terms", "ours.toml").out
    # 8.25 % of 20.00 is 1.65: 549.75 + 1.65, by hand (206.37 x 8.25 % = 17.03).
    assert "551.40" in told
    assert "the tax on the deposit is still in it: local law" in told
