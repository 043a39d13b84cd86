"""Money, odometer figures and warranties as a person types them.

Money stays a decimal text with its currency: no binary float, and no currency that was not
given, since two currencies must never be added.
"""

import re
from collections.abc import Sequence
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any

from roadworn.model.errors import UsageError
from roadworn.model.units import UnitError, parse_distance

_LIST = Path(__file__).with_name("currencies.txt")


@cache
def currency_codes() -> frozenset[str]:
    """Return the codes of ISO 4217; the source stands at the head of ``currencies.txt``."""
    lines = _LIST.read_text(encoding="ascii").splitlines()
    return frozenset(word for line in lines if not line.startswith("#") for word in line.split())


def check_currency(code: str) -> str:
    """Return a currency code in capitals.

    Raises:
        UsageError: ISO 4217 has no such code.
    """
    code = code.strip().upper()
    if code in currency_codes():
        return code
    near = get_close_matches(code, sorted(currency_codes()), n=2, cutoff=0.6)
    meant = f" (did you mean {' or '.join(near)}?)" if near else ""
    raise UsageError(
        f"{code!r} is no currency of ISO 4217{meant}", "use its three-letter code, as in USD"
    )


def choose(word: str, allowed: Sequence[str], what: str) -> str:
    """Return the allowed word that `word` spells; case, `-`, `_` and spaces do not matter.

    Args:
        word: as typed, for instance ``worn out``.
        allowed: canonical words, for instance ``worn_out``.
        what: what is being chosen, for the sentence of the error.

    Raises:
        UsageError: it spells none of them; names them all.
    """
    key = "_".join(word.casefold().replace("-", " ").replace("_", " ").split())
    known = {name.casefold(): name for name in allowed}
    if key in known:
        return known[key]
    shown = [name.replace("_", "-") for name in allowed]
    near = get_close_matches(key, allowed, n=1)
    meant = f" (did you mean {near[0].replace('_', '-')}?)" if near else ""
    raise UsageError(f"{what} cannot be {word!r}{meant}", f"say one of {', '.join(shown)}")


_NUMBER = r"-?(?:\d{1,3}(?:,\d{3})+|\d+)(?:\.\d+)?"
_MONEY = re.compile(
    rf"(?:(?P<before>[A-Za-z]{{3}})\s*)?(?P<number>{_NUMBER})(?:\s*(?P<after>[A-Za-z]{{3}}))?",
    re.ASCII,
)
_PERIOD = re.compile(
    r"(?P<number>\d{1,4})[\s-]*(?P<unit>months?|mo|years?|yrs?|days?)\b",
    re.IGNORECASE | re.ASCII,
)
#: A warranty of days is kept in months; 90 days are three (common practice, no source).
_DAYS_OF_A_MONTH = 30
_NO_DISTANCE = re.compile(
    r"\b(?:unlimited|any)\s*(?:mi|miles|mileage|km|kilomet(?:er|re)s|distance)\b", re.IGNORECASE
)
#: A warranty without an end, in months: as many as a warranty may have.
LIFETIME = 1200
_LIFETIME = frozenset({"lifetime", "life", "limited lifetime", "lifetime warranty", "for life"})
_NO_WARRANTY = frozenset({"none", "no", "no warranty", "as is", "as-is", "without"})
_LOOK_LIKE = str.maketrans("OoIlS", "00115")
_SIGNS = re.compile(r"[$€£¥₹]")


def read_money(text: str, currency: str = "", *, allow_negative: bool = False) -> dict[str, str]:
    """Read ``84.50``, ``1,084.50`` or ``84.50 USD`` as a money value.

    Args:
        text: as typed; a currency code in it goes before `currency`.
        currency: ISO 4217 code to use when the text has none.
        allow_negative: take an amount below zero, a rebate on an estimate.

    Raises:
        UsageError: it is no amount, or there is no currency.
    """
    found = _MONEY.fullmatch(text.strip())
    if found is None:
        hint = ""
        if _SIGNS.search(text):
            hint = " without a sign, which several countries share,"
        elif re.search(r"\d,\d{1,2}$", text.strip()):
            hint = " with a point before the decimals"
        near = likely_amount(text)
        meant = f" (did you mean {near}?)" if near else ""
        raise UsageError(
            f"{text.strip()!r} is not an amount{meant}", f"write it{hint} as 84.50 USD"
        )
    code = (found["before"] or found["after"] or currency).upper()
    if found["before"] and found["after"]:
        raise UsageError(f"{text.strip()!r} names two currencies", "write it as 84.50 USD")
    if not code:
        raise UsageError(
            f"The amount {text.strip()!r} has no currency",
            "add --currency USD, or set ROADWORN_CURRENCY once",
        )
    code = check_currency(code)
    if found["number"].startswith("-") and not allow_negative:
        raise UsageError(
            f"{text.strip()!r} is below zero", "write what it cost, and a credit into the note"
        )
    amount = found["number"].replace(",", "")
    if len(amount.partition(".")[2]) > 4 or len(amount.partition(".")[0].lstrip("-")) > 12:
        raise UsageError(
            f"{text.strip()!r} is no amount of money", "use at most four decimals and 12 digits"
        )
    return {"amount": amount, "currency": code}


def read_odometer(text: str, default_unit: str = "") -> tuple[float, str]:
    """Read ``61,250 mi`` or, with a default unit, ``61250``.

    Returns:
        The figure as entered and ``km`` or ``mi``.

    Raises:
        UsageError: no figure, or no unit and no default.
    """
    if default_unit and default_unit not in {"km", "mi"}:
        raise UsageError(f"The unit of an odometer is km or mi, not {default_unit!r}.")
    try:
        value, unit = parse_distance(text, default_unit or None)
    except UnitError as error:
        meant = likely_distance(text)
        raise UsageError(f"{error}{f' Did you mean {meant}?' if meant else ''}") from None
    return float(value), unit


def likely_amount(text: str) -> str:
    """Return the amount that letters for digits or a decimal comma stand for, or nothing."""
    plain = _digits(text.strip()[:40])
    if re.search(r"\d,\d{1,2}(?!\d)", plain):
        plain = plain.replace(".", "").replace(",", ".")
    return plain if plain != text.strip() and _MONEY.fullmatch(plain) else ""


def likely_distance(text: str) -> str:
    """Return the figure that letters for digits or dots for commas stand for, or nothing."""
    plain = _digits(text.strip()[:40])
    if re.search(r"\d\.\d{3}\.\d{3}\b", plain):
        plain = plain.replace(".", ",")
    form = re.fullmatch(rf"({_NUMBER})\s*([a-z]*)", plain, re.IGNORECASE)
    if plain == text.strip() or form is None:
        return ""
    return plain


def _digits(text: str) -> str:
    """Return the text with letters that look like digits as those, where they touch a digit."""
    return re.sub(
        r"(?<=[\d.,])[OoIlS]+|\b[OoIlS]+(?=[\d.,])",
        lambda found: found[0].translate(_LOOK_LIKE),
        text,
    )


_SLASHED = re.compile(
    r"(?P<time>\d{1,3})\s*(?P<of>m|mo|months?|y|yrs?|years?)?\s*/\s*"
    r"(?P<far>\d[\d,]*(?:\.\d+)?)\s*(?P<k>k)?\s*(?P<unit>mi|km|miles)?\.?",
    re.ASCII,
)


def _slashed_warranty(text: str, found: re.Match[str], unit: str) -> dict[str, Any]:
    """Read ``12/12``, ``24M/24K`` and ``3 years/36,000 mi``: time, then distance.

    A distance below a thousand is one of thousands, as the trade writes it (common practice, no
    source).
    """
    unit = {"miles": "mi"}.get(found["unit"] or "", found["unit"] or unit)
    if unit not in {"mi", "km"}:
        raise UsageError(
            f"The warranty {text.strip()!r} has a distance without a unit",
            "write it as '12 months 12000 mi', or set ROADWORN_UNIT once",
        )
    far = float(found["far"].replace(",", ""))
    far *= 1000 if found["k"] or far < 1000 else 1
    years = (found["of"] or "").startswith("y")
    return {
        "warranty_months": int(found["time"]) * (12 if years else 1),
        "warranty_distance": far,
        "warranty_unit": unit,
    }


def _months_of(period: re.Match[str], text: str) -> int:
    number, unit = int(period["number"]), period["unit"].lower()
    if not unit.startswith("d"):
        return number * (12 if unit.startswith("y") else 1)
    months, over = divmod(number, _DAYS_OF_A_MONTH)
    if over or not months:
        raise UsageError(
            f"The warranty {text.strip()!r} is no number of whole months",
            "write it as '3 months', or put the days into --note",
        )
    return months


def read_warranty(text: str, default_unit: str = "") -> dict[str, Any]:
    """Read ``24 months 24,000 mi``, ``2 years``, ``24/24k mi``, ``12/12``, lifetime or none.

    Returns:
        Those of `warranty_months`, `warranty_distance` and `warranty_unit` that were given; a
        lifetime is as many months as are kept at all, and without one nothing is.

    Raises:
        UsageError: neither a time nor a distance can be read.
    """
    word = " ".join(text.casefold().split())
    if word in _NO_WARRANTY:
        return {}
    if word in _LIFETIME:
        return {"warranty_months": LIFETIME}
    found: dict[str, Any] = {}
    slashed = _SLASHED.fullmatch(word)
    if slashed is not None:
        return _slashed_warranty(text, slashed, default_unit)
    rest = text
    period = _PERIOD.search(text)
    if period is not None:
        found["warranty_months"] = _months_of(period, text)
        rest = _NO_DISTANCE.sub("", text[: period.start()] + text[period.end() :])
    rest = re.sub(r"(^[\s,;/+]+|[\s,;/+]+$|\b(or|and)\b)", "", rest.strip()).strip()
    if rest:
        try:
            value, unit = parse_distance(rest, default_unit or None)
        except UnitError:
            raise UsageError(
                f"The warranty {text.strip()!r} cannot be read", "write it as '24 months 24000 mi'"
            ) from None
        found |= {"warranty_distance": float(value), "warranty_unit": unit}
    if not found:
        raise UsageError("The warranty is empty", "write it as '24 months 24000 mi'")
    return found


_GRADE = (
    r"(?:\d{1,2}W-?\d{2}|SAE\s?\d{2}W?-?\d{0,3}|DOT\s?[345](?:\.1)?"
    r"|ATF[\w+ -]{0,12}?|R-?\d{3,4}\w*)"
)
_VOLUMES = {
    **dict.fromkeys(("l", "liter", "liters", "litre", "litres"), "l"),
    **dict.fromkeys(("qt", "qts", "quart", "quarts"), "qt"),
    **dict.fromkeys(("pt", "pts", "pint", "pints"), "pt"),
    **dict.fromkeys(("gal", "gallon", "gallons"), "gal"),
    **dict.fromkeys(("oz", "ounce", "ounces"), "oz"),
    "ml": "ml",
    "kg": "kg",
    "lb": "lb",
    "lbs": "lb",
}
_VOLUME = rf"\d+(?:[.,]\d+)?\s*(?:{'|'.join(sorted(_VOLUMES, key=len, reverse=True))})(?![\w-])"
#: A grade, an amount, or both in either order, as a pattern without groups.
FLUID = rf"(?:{_GRADE}(?![\w-])(?:,?\s+{_VOLUME})?|{_VOLUME}(?:\s+(?:of\s+)?{_GRADE}(?![\w-]))?)"


def read_fluid(text: str) -> dict[str, Any]:
    """Read ``5W-30 4.8 qt``, ``4.8 qt``, or the name of a fluid.

    Returns:
        Those of `fluid`, `fluid_amount` and `fluid_unit` that were given.

    Raises:
        UsageError: it says neither, or there is nothing of it.
    """
    found = re.search(rf"(?<![\w.]){_VOLUME}", text, re.IGNORECASE)
    made: dict[str, Any] = {}
    grade = text
    if found is not None:
        figure, unit = re.match(r"([\d.,]+)\s*(\w+)", found[0]).groups()  # type: ignore[union-attr]
        made = {
            "fluid_amount": float(figure.replace(",", ".")),
            "fluid_unit": _VOLUMES[unit.lower()],
        }
        if not 0 < made["fluid_amount"] <= 10_000:
            raise UsageError(f"{found[0]!r} is no amount of a fluid", "write it as 4.8 qt")
        grade = f"{text[: found.start()]} {text[found.end() :]}"
    grade = re.sub(r"^of\b", "", " ".join(grade.split()).strip(" ,;")).strip()
    if grade:
        made["fluid"] = grade
    if not made:
        raise UsageError("The fluid is empty", "write it as '5W-30 4.8 qt'")
    return made


_ENERGY_UNITS = {
    **{word: unit for word, unit in _VOLUMES.items() if unit in {"l", "gal", "kg"}},
    "kwh": "kWh",
}


def read_energy(text: str) -> dict[str, Any]:
    """Read ``61.2 l``, ``18 gal`` or ``42 kWh``: fuel or electricity that was put in.

    Returns:
        `amount` and `amount_unit`.

    Raises:
        UsageError: no figure above zero, or another unit.
    """
    figure, unit = re.fullmatch(r"\s*(.*?)\s*([A-Za-z]*)\s*", text).groups()  # type: ignore[union-attr]
    if (known := _ENERGY_UNITS.get(unit.casefold())) is None:
        raise UsageError(f"{text.strip()!r} has no unit of energy", "write it as 61.2 l or 42 kWh")
    return {"amount": read_figure(figure, 100_000, "61.2 l"), "amount_unit": known}


def read_figure(text: str, most: float, example: str) -> float:
    """Read a plain figure such as ``4,521.5``, above zero or zero, and not above `most`.

    Raises:
        UsageError: it is none, or above that.
    """
    plain = text.strip()
    if not re.fullmatch(_NUMBER, plain) or not 0 <= float(plain.replace(",", "")) <= most:
        raise UsageError(f"{plain!r} is no figure from 0 to {most:,.0f}", f"write it as {example}")
    return float(plain.replace(",", ""))
