"""A shop's terms as a file: rates, markups, fees and what is taxed, so that no price is in code.

The file is TOML; ``terms_example.toml`` beside this module is one with every section explained.
What is taxed is local law, so a tax without all six switches is refused rather than guessed.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal, cast

from roadworn.model.amounts import check_currency
from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn.trade.estimating import ShopTerms
from roadworn.trade.pricing import Kind, PriceMatrix

_ZERO = Decimal(0)
_MOST = Decimal(1_000_000_000)
_LONGEST = 2_000
#: Switch of [tax] -> the kind of line that it taxes.
TAX_SWITCHES: Mapping[str, Kind] = {
    "labour": "labour",
    "parts": "parts",
    "supplies": "supplies",
    "sublet": "sublet",
    "fees": "fee",
    "cores": "core",
}
_PARTS_BY = ("margin", "markup", "matrix", "list")
#: Section -> its keys; None where the names are the shop's own.
_KEYS: Mapping[str, tuple[str, ...] | None] = {
    "labour": None,
    "parts": ("by", "percent", "bands"),
    "supplies": ("percent", "cap"),
    "sublet": ("markup",),
    "fees": None,
    "cores": ("deposit",),
    "tax": ("percent", *TAX_SWITCHES),
    "consent": ("over_percent", "text"),
    "warranty": ("text",),
}


@dataclass(frozen=True, slots=True)
class Terms:
    """Terms as read.

    Attributes:
        name: file name, for messages.
        shop: what prices are made by.
        rates: name in folded case -> price of a book hour; ``default`` is always there.
        fees: name in folded case -> amount.
        currency: code of all amounts, or an empty text.
        text: the shop's own words on consent and warranty, or an empty text.
    """

    name: str
    shop: ShopTerms
    rates: Mapping[str, Decimal]
    fees: Mapping[str, Decimal] = field(default_factory=dict)
    currency: str = ""
    text: str = ""

    def rate(self, word: str = "default") -> Decimal:
        """Return the price of a book hour by its name.

        Raises:
            UsageError: the terms have no such rate.
        """
        return _named(self.rates, word, f"labour rate in {self.name}")

    def fee(self, word: str) -> Decimal:
        """Return a fee by its name.

        Raises:
            UsageError: the terms have no such fee.
        """
        return _named(self.fees, word, f"fee in {self.name}")


def example_terms() -> str:
    """Return the example file, with a comment on every key."""
    from importlib.resources import files

    return files("roadworn.reading").joinpath("terms_example.toml").read_text(encoding="utf-8")


def read_terms(path: Path) -> Terms:
    """Read a terms file.

    Raises:
        EnvironmentFailure: the file cannot be read.
        UsageError: it is no TOML, or something in it does not fit.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise EnvironmentFailure(
            f"The terms {path} cannot be read ({error.strerror})",
            "check the name, or write them with `roadworn record estimate --terms-example`",
        ) from error
    except UnicodeDecodeError:
        raise UsageError(f"The terms {path} are not UTF-8", "save them as UTF-8 text") from None
    return parse_terms(text, path.name)


def parse_terms(text: str, name: str = "terms") -> Terms:
    """Read terms from TOML text; see `read_terms` for the errors."""
    # Most lines are typed without terms, and should not wait for what reads them.
    import tomllib

    from roadworn.model.toml import read_toml

    try:
        given = read_toml(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"The terms {name} are no TOML: {error}; correct that line.") from None
    except (ValueError, ArithmeticError, RecursionError):
        raise UsageError(
            f"The terms {name} hold a figure or a nesting that is out of all bounds",
            "compare them with `roadworn record estimate --terms-example`",
        ) from None
    return _Reader(name, given).terms()


class _Reader:
    """Reads the sections of one file into terms."""

    def __init__(self, name: str, given: Mapping[str, Any]) -> None:
        self.name, self.given = name, given

    def terms(self) -> Terms:
        for key in self.given:
            if key not in ("currency", *_KEYS):
                raise self._unknown(key, "section", ("currency", *_KEYS))
        rates = self._amounts("labour")
        if "default" not in rates:
            raise self._wrong(
                "[labour] has no default", "write the price of an hour as default = 140.00"
            )
        by, percent, matrix = self._parts()
        tax, taxed = self._tax()
        supplies, sublet = self._section("supplies"), self._section("sublet")
        cap = self._number("supplies", supplies, "cap") if "cap" in supplies else None
        shop = ShopTerms(
            labour_rate=rates["default"],
            parts_by=by,
            parts_percent=percent,
            matrix=matrix,
            supplies_percent=self._percent("supplies", supplies, "percent"),
            supplies_cap=cap,
            sublet_markup=self._percent("sublet", sublet, "markup"),
            tax_percent=tax,
            taxed=taxed,
            # A tenth is often the law (from memory; amounts differ).
            consent_percent=self._percent(
                "consent", self._section("consent"), "over_percent", Decimal(10)
            ),
            core_deposit=self._switch("cores", self._section("cores"), "deposit", default=True),
        )
        texts = [self._text(part, self._section(part), "text") for part in ("consent", "warranty")]
        return Terms(
            self.name,
            shop,
            rates,
            self._amounts("fees"),
            self._currency(),
            "\n".join(text for text in texts if text),
        )

    def _amounts(self, section: str) -> dict[str, Decimal]:
        table = self._section(section)
        found = {_folded(word): self._number(section, table, word) for word in table}
        if len(found) < len(table):
            raise self._wrong(
                f"[{section}] has two names that differ in case or marks only", "keep one of them"
            )
        return found

    def _parts(
        self,
    ) -> tuple[Literal["margin", "markup", "matrix", "list"], Decimal, PriceMatrix | None]:
        table = self._section("parts")
        by = self._text("parts", table, "by") or "list"
        if by not in _PARTS_BY:
            near = nearest_of(by, _PARTS_BY)
            meant = f" (did you mean {near[0]}?)" if near else ""
            raise self._wrong(
                f"by in [parts] cannot be {by!r}{meant}", f"say one of {', '.join(_PARTS_BY)}"
            )
        needed = {"matrix": "bands", "margin": "percent", "markup": "percent"}.get(by)
        if needed and needed not in table:
            raise self._wrong(
                f"[parts] goes by {by} but has no {needed}",
                f"add {'bands = [{ markup = 40 }]' if needed == 'bands' else 'percent = 45'}",
            )
        percent = self._percent("parts", table, "percent")
        if by == "margin" and percent >= 100:
            raise self._wrong(
                f"percent in [parts] is a margin of {percent}, which no price has",
                'give less than 100, or write by = "markup"',
            )
        chosen = cast('Literal["margin", "markup", "matrix", "list"]', by)
        return chosen, percent, self._matrix(table["bands"]) if by == "matrix" else None

    def _matrix(self, bands: object) -> PriceMatrix:
        if not isinstance(bands, list) or not all(isinstance(band, dict) for band in bands):
            raise self._wrong(
                "bands in [parts] is a list",
                "write it as bands = [{ up_to = 5.00, markup = 200 }, { markup = 40 }]",
            )
        rows = []
        for at, band in enumerate(bands, start=1):
            where = f"parts, band {at}"
            for key in band:
                if key not in ("up_to", "markup"):
                    raise self._unknown(key, f"key of [{where}]", ("up_to", "markup"))
            if "markup" not in band:
                raise self._wrong(f"[{where}] has no markup", "add markup = 40")
            edge = self._number(where, band, "up_to") if "up_to" in band else None
            rows.append((edge, self._percent(where, band, "markup")))
        try:
            return PriceMatrix(tuple(rows))
        except UsageError:
            raise UsageError(
                f"In the terms {self.name}, bands in [parts] must have their up_to in ascending "
                "order, and one last band without up_to."
            ) from None

    def _tax(self) -> tuple[Decimal, frozenset[Kind]]:
        table = self._section("tax")
        percent = self._percent("tax", table, "percent")
        if percent > 100:
            raise self._wrong(f"percent in [tax] is {percent}", "write 8.25 for 8.25 %")
        missing = [switch for switch in TAX_SWITCHES if switch not in table]
        if percent and missing:
            raise self._wrong(
                f"[tax] does not say whether {missing[0]} "
                f"{'is' if missing[0] in ('labour', 'sublet') else 'are'} taxed",
                f"write {missing[0]} = true or false, as the law has it where the shop is",
            )
        on = [s for s in TAX_SWITCHES if self._switch("tax", table, s, default=False)]
        return percent, frozenset(TAX_SWITCHES[switch] for switch in on)

    def _currency(self) -> str:
        code = self.given.get("currency", "")
        if not isinstance(code, str):
            raise self._wrong("currency is a text", 'write currency = "USD"')
        try:
            return check_currency(code) if code else ""
        except UsageError as error:
            raise self._wrong(f"currency: {error.what}", error.remedy) from None

    def _section(self, section: str) -> Mapping[str, Any]:
        table = self.given.get(section, {})
        if not isinstance(table, dict):
            raise self._wrong(f"{section} is a section", f"write it as [{section}]")
        known = _KEYS[section]
        for key in table:
            if known is not None and key not in known:
                raise self._unknown(key, f"key of [{section}]", known)
        return table

    def _wrong(self, what: str, remedy: str) -> UsageError:
        """Return the refusal of something in the file, a sentence that goes on from its name."""
        return UsageError(f"In the terms {self.name}, {what}", remedy)

    def _unknown(self, key: str, what: str, known: tuple[str, ...]) -> UsageError:
        """Return the refusal of a key, with the likely one that was meant."""
        near = nearest_of(key, known)
        hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(known)}."
        return UsageError(f"The terms {self.name} have an unknown {what}, {key!r}; {hint}")

    def _number(self, section: str, table: Mapping[str, Any], key: str) -> Decimal:
        """Return a number from 0 on, to four decimals."""
        value = table[key]
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise self._wrong(
                f"{key} in [{section}] is a number", f"write it as {key} = 25.00, without quotes"
            )
        number = Decimal(value)
        fine = number.is_finite() and _ZERO <= number <= _MOST and number == round(number, 4)
        if not fine:
            raise self._wrong(
                f"{key} in [{section}] cannot be {value!s:.30}",
                "write a number from 0 on with at most four decimals",
            )
        return round(number, 4).normalize() + _ZERO

    def _percent(
        self, section: str, table: Mapping[str, Any], key: str, default: Decimal = _ZERO
    ) -> Decimal:
        number = self._number(section, table, key) if key in table else default
        if number > 9_999:
            raise self._wrong(f"{key} in [{section}] is {number} %", "write 45 for 45 %")
        return number

    def _switch(self, section: str, table: Mapping[str, Any], key: str, *, default: bool) -> bool:
        value = table.get(key, default)
        if not isinstance(value, bool):
            raise UsageError(
                f"In the terms {self.name}, {key} in [{section}] is true or false, without quotes."
            )
        return value

    def _text(self, section: str, table: Mapping[str, Any], key: str) -> str:
        """Return a text without blanks around it, empty when it is not there."""
        value = table.get(key, "")
        if not isinstance(value, str):
            raise self._wrong(f"{key} in [{section}] is a text", "write it in quotes")
        if len(value) > _LONGEST:
            raise self._wrong(
                f"{key} in [{section}] has {len(value):,} characters", f"keep it to {_LONGEST:,}"
            )
        return value.strip()


def nearest_of(word: str, known: tuple[str, ...]) -> list[str]:
    """Return up to three of `known` that look like `word`."""
    from roadworn.checks.facts import nearest

    return nearest(word, list(known))


def _named(table: Mapping[str, Decimal], word: str, what: str) -> Decimal:
    found = table.get(_folded(word))
    if found is not None:
        return found
    near = nearest_of(_folded(word), tuple(table))
    hint = (
        f"did you mean {' or '.join(near)}?"
        if near
        else f"there {'is' if len(table) == 1 else 'are'} {', '.join(table) or 'none'}."
    )
    raise UsageError(f"There is no {what} called {word!r}; {hint}")


def _folded(word: str) -> str:
    return " ".join(word.casefold().replace("_", " ").replace("-", " ").split())
