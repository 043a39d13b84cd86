"""When two ways of writing a component's name are the same name.

Case, hyphens, plurals and the British or American spelling do not make another part. What
goes beyond that (a typing mistake, half a name) is a guess and is treated as one elsewhere.
"""

import re
import unicodedata
from functools import lru_cache

# Spelling pairs of the trade; the left one is how names are keyed.
_SPELLINGS = {
    "tyre": "tire",
    "centre": "center",
    "vapour": "vapor",
    "windscreen": "windshield",
    "colour": "color",
    "fibre": "fiber",
    "aluminium": "aluminum",
    "disk": "disc",
    "kerb": "curb",
    "mould": "mold",
    "levelling": "leveling",
    "immobiliser": "immobilizer",
    "stabiliser": "stabilizer",
    "pressurised": "pressurized",
    "catalyser": "catalyst",
    "headlight": "headlamp",
}
_IRREGULAR = {"brushes": "brush", "switches": "switch", "latches": "latch", "clutches": "clutch"}


@lru_cache(maxsize=4096)
def name_key(text: str) -> str:
    """Return the form under which two spellings of a name are equal.

    ``Brake-Pads`` and ``brake pad`` give the same key, as do ``tyres`` and ``tire``.
    """
    plain = unicodedata.normalize("NFKC", text).casefold()
    # "A/C" and "M/C" are words of their own; elsewhere a slash parts two words.
    plain = re.sub(r"\b(\w)/(\w)\b", r"\1\2", plain)
    words = re.split(r"[^\w&+]+", plain.replace("_", " ").replace("'", ""))
    return " ".join(_singular(_SPELLINGS.get(word, word)) for word in words if word)


def _singular(word: str) -> str:
    if word in _IRREGULAR:
        return _IRREGULAR[word]
    if len(word) <= 3 or not word.endswith("s") or word.endswith(("ss", "us", "is")):
        return word
    if word.endswith("ies"):
        return word[:-3] + "y"
    stem = word.removesuffix("s")
    return _SPELLINGS.get(stem, stem)
