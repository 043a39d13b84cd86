"""Which three letters are a currency: a slip such as USB must not become money of its own."""

from difflib import get_close_matches
from functools import cache
from pathlib import Path

from roadworn.errors import UsageError

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
        f"{code!r} is no currency of ISO 4217{meant}: use its three-letter code, as in USD."
    )
