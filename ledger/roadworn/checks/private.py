"""Keeping names and numbers out of events, which are permanent.

An event cannot be erased, so whatever tells who somebody is belongs into the contacts, which
can be. An owner reference is an opaque word; a note is free, and only looked over.
"""

import re

from roadworn.model.errors import UsageError

_REFERENCE = re.compile(r"[A-Za-z0-9._-]{1,40}")
_MAIL = re.compile(r"[^\s@<>]{1,64}@[^\s@<>]{1,190}\.[^\W\d_]{2,}")
# Seven digits or more with the marks of a telephone number; work orders, part numbers and days
# are written in one run or in another pattern.
_PHONE = re.compile(r"(?<![\w.,/-])(?:\+\d[\d\s().-]{6,18}\d|(?:\(\d{2,5}\)|\d{2,5})[\s.-]+\d{3,4}"
                    r"(?:[\s.-]+\d{2,5})?)(?![\w,/-])")  # fmt: skip
_LONG_NUMBER = re.compile(r"\d[\d\s().-]{5,}\d")
# A name as such cannot be told from a trade word; a form of address tells it.
_NAME = re.compile(r"\b(?:Mr|Mrs|Ms|Miss|Dr|Mister)\b\.? ?[A-Z][\w'-]+")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}|\d{1,2}\.\d{1,2}\.\d{4}")
_FIGURE = re.compile(r"\d{1,3}(?:[ ,]\d{3})+\s*(?:km|mi|miles|[A-Z]{3})\b")
_LOOKED_AT = 20_000
#: What to say of a text that looks private.
PRIVATE = (
    "that looks like somebody's name, telephone number or e-mail address: what is written in an "
    "event is permanent, and belongs to `roadworn contact`, where it can be erased"
)


def check_owner(text: str) -> str:
    """Return an owner reference as given; an empty text says none.

    Raises:
        UsageError: it is no opaque word, and might be a name or a number of somebody.
    """
    if text and (not _REFERENCE.fullmatch(text) or _looks_like_number(text)):
        raise UsageError(
            "An owner reference is a word of your own of at most 40 letters, digits, - _ or ., "
            "as in OWNER-12, since events are permanent: names and numbers go into "
            "`roadworn contact OWNER-12 --name … --phone …`."
        )
    return text


def looks_private(text: str) -> bool:
    """Whether a text seems to hold an e-mail address, a telephone number or somebody's name."""
    text = text[:_LOOKED_AT]
    # Most notes hold neither sign nor so many digits: to look for those first is cheap.
    if ("@" in text and _MAIL.search(text)) or _NAME.search(text):
        return True
    if not _LONG_NUMBER.search(text):
        return False
    plain = _FIGURE.sub(" ", _DAY.sub(" ", text))
    return any(sum(c.isdigit() for c in found[0]) >= 7 for found in _PHONE.finditer(plain))


def _looks_like_number(text: str) -> bool:
    digits = sum(character.isdigit() for character in text)
    return digits >= 7 and not any(character.isalpha() for character in text)
