"""A reader's own words beside a code: kept as they are, and told from what we understand.

``P0301 Cylinder 1 misfire - Pending`` is a code, a description and a list. A word that is
nearly one of ours (``pendng``) is a slip and no description.
"""

import re
from difflib import get_close_matches

from roadworn.trade.scan_words import CODE_LIKE, DESCRIBED, FILLERS, LAMP_WORDS, STATUS_WORDS

_MOST = 200
_NEAR = 0.75
#: Fewer words than this without a mark between are no description: "P0300 hello" may be a slip.
_LEAST = 2
_LIST_WORDS = sorted({*STATUS_WORDS, "readiness"})


def split_description(line: str) -> tuple[str, str | None]:
    """Return a line without the reader's description of its code, and the description.

    A line whose code is followed by another code has none.
    """
    found = DESCRIBED.match(line)
    if found is None or not (CODE_LIKE.fullmatch(found[1]) or found[1].startswith("spn")):
        return line, None
    words = found[3].split()
    if any(CODE_LIKE.fullmatch(word.strip("()[].,;:")) for word in words):
        return line, None
    plain = [word.strip("()[].,;:-–").casefold() for word in words]
    if found[2] is None and not _is_description(plain):
        return line, None
    status = ""
    if plain and plain[-1] in STATUS_WORDS:
        status, words = plain[-1], words[:-1]
    elif plain and plain[0] in STATUS_WORDS:
        status, words = plain[0], words[1:]
    told = re.sub(r"^[\s:–-]+|[\s:,;–(\[-]+$", "", " ".join(words))[:_MOST]
    return f"{found[1]} {status}", told or None


def _is_description(words: list[str]) -> bool:
    unknown = [
        word
        for word in words
        if word
        and word not in STATUS_WORDS
        and word not in FILLERS
        and word not in LAMP_WORDS
        and not re.fullmatch(r"on|off|(0x)?[0-9a-f]{2,}|[0-9]+", word)
    ]
    slips = [word for word in unknown if get_close_matches(word, _LIST_WORDS, 1, _NEAR)]
    tells_lamp = bool(LAMP_WORDS & {*words}) and bool({"on", "off"} & {*words})
    return len(unknown) >= _LEAST and not slips and not tells_lamp
