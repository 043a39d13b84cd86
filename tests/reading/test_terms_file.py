"""A shop's terms as a file: the shipped example, and every way in which one can be wrong."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn.reading.terms import TAX_SWITCHES, example_terms, parse_terms, read_terms

LABOUR = "[labour]\ndefault = 140\n"
FLAT_BANDS = "bands = [{up_to = 5, markup = 9}, {up_to = 5, markup = 8}, {markup = 7}]"
SWITCHES = "".join(f"{switch} = false\n" for switch in TAX_SWITCHES)


def test_the_shipped_example_is_read_as_it_says() -> None:
    terms = parse_terms(example_terms())
    assert terms.currency == "USD"
    assert terms.rates == {"default": Decimal(140), "diag": Decimal(160)}
    assert terms.fees == {"disposal": Decimal(4)}
    assert (terms.shop.parts_by, terms.shop.parts_percent) == ("margin", Decimal(45))
    assert (terms.shop.supplies_percent, terms.shop.supplies_cap) == (Decimal(7), Decimal(25))
    # Not the binary neighbour of 8.25, and no exponent in what is stored.
    assert (str(terms.shop.tax_percent), str(terms.shop.labour_rate)) == ("8.25", "140")
    assert terms.shop.taxed == {"parts", "supplies"}
    assert "12 months or 12,000 mi" in terms.text


def test_the_matrix_of_the_example_is_one_as_well() -> None:
    text = example_terms().replace('by = "margin"', 'by = "matrix"').replace("percent = 45", "")
    # The comment signs go from "# bands = [" to the bracket that closes it.
    head, _, rest = text.partition("# bands")
    bands, _, tail = rest.partition("# ]\n")
    shop = parse_terms(
        f"{head}bands{bands.replace('#', '')}]\n{tail}".replace("the last band has no edge", "")
    ).shop
    assert shop.part_price(Decimal("5.00")) == Decimal("15.00")


@pytest.mark.parametrize(
    ("cost", "price"),
    [
        # Markup 200 % up to and including 5.00, 100 % up to 50.00, 40 % above: worked by hand.
        ("0.01", "0.03"),
        ("5.00", "15.00"),
        ("5.01", "10.02"),
        ("50.00", "100.00"),
        ("50.01", "70.01"),
    ],
)
def test_a_band_holds_its_upper_edge(cost: str, price: str) -> None:
    bands = "[parts]\nby = 'matrix'\nbands = [{up_to = 5, markup = 200}, {up_to = 50, markup = 100}"
    shop = parse_terms(f"{LABOUR}{bands}, {{markup = 40}}]").shop
    assert shop.part_price(Decimal(cost)) == Decimal(price)


@pytest.mark.parametrize("switch", TAX_SWITCHES)
def test_each_switch_of_the_tax_turns_on_its_own_kind(switch: str) -> None:
    text = f"{LABOUR}[tax]\npercent = 10\n{SWITCHES}".replace(
        f"{switch} = false", f"{switch} = true"
    )
    assert parse_terms(text).shop.taxed == {TAX_SWITCHES[switch]}


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", r"\[labour\] has no default: .* default = 140.00"),
        ("labour = 140", r"labour is a section: write it as \[labour\]"),
        ("[labour]\ndefault = '140'", "default in .labour. is a number.*without quotes"),
        ("[labour]\ndefault = true", "default in .labour. is a number"),
        ("[labour]\ndefault = -1", "default in .labour. cannot be -1"),
        ("[labour]\ndefault = nan", "default in .labour. cannot be NaN"),
        ("[labour]\ndefault = inf", "cannot be Infinity"),
        ("[labour]\ndefault = 1e999999999999999999", "out of all bounds|cannot be"),
        ("[labour]\ndefault = 1.00001", "at most four decimals"),
        (f"[labour]\ndefault = {'9' * 5_000}", "out of all bounds|cannot be"),
        (f"a = {'[' * 20_000}", "out of all bounds|no TOML"),
        ("[labour]\ndefault = 140\nDefault = 150", "differ in case"),
        ("[labour", "no TOML.*correct that line"),
        (f"{LABOUR}[labor]\nx = 1", "unknown section, 'labor'; did you mean labour"),
        (f"{LABOUR}[towing]\nx = 1", "unknown section, 'towing'; "),
        (f"{LABOUR}[tax]\nprecent = 8", r"key of \[tax\], 'precent'; did you mean percent"),
        (f"{LABOUR}[tax]\npercent = 8.25", "does not say whether labour is taxed"),
        (f"{LABOUR}[tax]\npercent = 825\n{SWITCHES}", "write 8.25 for 8.25 %"),
        (f"{LABOUR}[tax]\npercent = 8\nlabour = 'no'\n{SWITCHES[15:]}", "true or false"),
        (f"{LABOUR}[parts]\nby = 'margn'\n", "cannot be 'margn' .did you mean margin"),
        (f"{LABOUR}[parts]\nby = 'margin'\n", "goes by margin but has no percent"),
        (f"{LABOUR}[parts]\nby = 'margin'\npercent = 100", "a margin of 100"),
        (f"{LABOUR}[parts]\nby = 'matrix'\n", "goes by matrix but has no bands"),
        (f"{LABOUR}[parts]\nby = 'matrix'\nbands = 40", "bands in .parts. is a list"),
        (f"{LABOUR}[parts]\nby = 'matrix'\nbands = []", "one last band without up_to"),
        (f"{LABOUR}[parts]\nby = 'matrix'\nbands = [{{up_to = 5}}]", "band 1. has no markup"),
        (
            f"{LABOUR}[parts]\nby = 'matrix'\nbands = [{{upto = 5, markup = 1}}]",
            "'upto'; did you mean up_to",
        ),
        (
            f"{LABOUR}[parts]\nby = 'matrix'\n{FLAT_BANDS}",
            "ascending",
        ),
        (f"{LABOUR}[supplies]\npercent = 99999", "99999 %"),
        (f"{LABOUR}[cores]\ndeposit = 1", "deposit in .cores. is true or false"),
        (f"{LABOUR}[warranty]\ntext = 12", "text in .warranty. is a text"),
        (f"{LABOUR}[warranty]\ntext = '{'x' * 3_000}'", "3,000 characters"),
        (f"currency = 'USB'\n{LABOUR}", "currency: 'USB' is no currency.*USD"),
        (f"currency = 1\n{LABOUR}", "currency is a text"),
    ],
)  # fmt: skip
def test_a_bad_file_is_one_sentence_with_file_key_and_reason(text: str, reason: str) -> None:
    with pytest.raises(UsageError, match=reason) as caught:
        parse_terms(text, "our.terms.toml")
    assert "our.terms.toml" in caught.value.message
    assert "\n" not in caught.value.message


def test_a_file_that_is_not_there_or_not_text(tmp_path) -> None:
    with pytest.raises(EnvironmentFailure, match="--terms-example"):
        read_terms(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b"\xff\xfe\xfa")
    with pytest.raises(UsageError, match="UTF-8"):
        read_terms(tmp_path / "latin.toml")
    (tmp_path / "marked.toml").write_bytes(b"\xef\xbb\xbf" + LABOUR.encode())
    assert read_terms(tmp_path / "marked.toml").shop.labour_rate == 140


def test_a_rate_or_fee_is_found_whatever_its_case_and_marks() -> None:
    terms = parse_terms("[labour]\ndefault = 1\nDiag_Bench = 2\n[fees]\n'tyre disposal' = 3")
    assert terms.rate("diag-bench") == 2
    assert terms.fee("Tyre  disposal") == 3
    with pytest.raises(UsageError, match="did you mean diag bench"):
        terms.rate("diag_bank")
    with pytest.raises(UsageError, match="no fee in terms called 'towing'"):
        terms.fee("towing")


VALUES = st.one_of(
    st.integers(-10, 10**12),
    st.floats(),
    st.booleans(),
    st.text(max_size=5),
    st.lists(st.integers(), max_size=2),
    st.just({"x": 1}),
)


@given(
    st.sampled_from(["labour", "parts", "supplies", "sublet", "fees", "cores", "tax", "consent"]),
    st.sampled_from(["default", "by", "percent", "bands", "cap", "markup", "deposit", "text", "a"]),
    VALUES,
)
def test_whatever_stands_there_is_terms_or_a_sentence(section: str, key: str, value) -> None:
    import json

    written = json.dumps(value) if not isinstance(value, dict) else "{ x = 1 }"
    written = {"NaN": "nan", "Infinity": "inf", "-Infinity": "-inf"}.get(written, written)
    text = f"[{section}]\n{key} = {written}\n"
    text += "" if section == "labour" else LABOUR
    try:
        shop = parse_terms(text).shop
    except UsageError:
        return
    assert all(0 <= rate <= 10**9 for rate in (shop.labour_rate, shop.tax_percent))
