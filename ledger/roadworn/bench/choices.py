"""One word out of a few, forgiving in spelling and strict in meaning."""

from collections.abc import Sequence
from difflib import get_close_matches

from roadworn.errors import UsageError


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
    if key in allowed:
        return key
    shown = [name.replace("_", "-") for name in allowed]
    near = get_close_matches(key, allowed, n=1)
    meant = f" (did you mean {near[0].replace('_', '-')}?)" if near else ""
    raise UsageError(f"{what} cannot be {word!r}{meant}: say one of {', '.join(shown)}.")
