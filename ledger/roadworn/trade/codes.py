"""Trouble codes: two bytes to text and back, who owns a code, and what it points to.

SAE J2012 and ISO 15031-6 for the form. A code names a circuit or a condition, not a part, so
this module says "points to" and never "replace". Text that is nearly a code is refused with
a hint; it is never corrected in silence, since P0G80 may have been P0680 or P0980.
"""

import csv
import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from roadworn.model.errors import UsageError
from roadworn.model.messages import Problem, Sentence
from roadworn.trade.scan_bytes import FAILURE_MODES

Owner = Literal["standard", "maker", "reserved"]
_LETTERS = "PCBU"
#: A heavy vehicle's fault as scans keep it (SAE J1939-73).
_HEAVY = re.compile(r"SPN ([0-9]{1,6}) FMI ([0-9]{1,2})", re.ASCII)
# Case does not matter; ASCII only, since the capital of a typed ligature may be two letters.
_CODE = re.compile(r"([PCBU])([0-3])([0-9A-F]{3})(?:-([0-9A-F]{2}))?", re.IGNORECASE | re.ASCII)

#: Third character of P0 codes: a short guide (from memory for 7-9 and A-C).
_P0_GROUPS = {
    **dict.fromkeys("012", "fuel, air and other emission control"),
    "3": "ignition or misfire",
    "4": "auxiliary emission control",
    "5": "speed, idle and inputs",
    "6": "computer and outputs",
    **dict.fromkeys("789", "transmission"),
    **dict.fromkeys("ABC", "hybrid or electric drive"),
}
#: Letters that are typed for a digit they look like.
_DIGIT_MEANT = {"O": "0", "Q": "0", "I": "1", "L": "1", "S": "5", "Z": "2"}
_SO = "type it so"
#: Failure type bytes (from memory, fair): a short list of our own words.
FAILURE_TYPES = {
    "00": "no further information",
    "11": "short to ground",
    "12": "short to battery",
    "13": "open circuit",
    "16": "voltage too low",
    "17": "voltage too high",
    "1C": "voltage out of range",
    "31": "no signal",
    "49": "internal electronic fault",
    "64": "signal implausible",
    "87": "message missing",
    "96": "component internal fault",
    "98": "over temperature",
}


@dataclass(frozen=True, slots=True)
class TroubleCode:
    """A trouble code.

    Attributes:
        code: text form of the two bytes, for instance ``P0420``.
        owner: who defines it: the standard, the vehicle's maker, or nobody yet.
        description: our own words, or what is known of its group.
        points_to: component ids worth looking at, the likeliest first.
        failure_type: third byte as two hexadecimal digits, or None.
        confidence: how well the description is founded, or an empty text.
    """

    code: str
    owner: Owner
    description: str
    points_to: tuple[str, ...]
    failure_type: str | None = None
    confidence: str = ""

    @property
    def bytes(self) -> bytes:
        """The code as two bytes, or three with a failure type."""
        return encode_code(self.code) + bytes.fromhex(self.failure_type or "")

    @property
    def failure(self) -> str | None:
        """What the failure type says, or None without one."""
        if self.failure_type is None:
            return None
        return FAILURE_TYPES.get(self.failure_type, "see the maker's service information")

    def as_json(self) -> dict[str, Any]:
        """Return the `decode code` contract, with the failure type when there is one."""
        answer: dict[str, Any] = {
            "code": self.code,
            "bytes": self.bytes.hex().upper(),
            "owner": self.owner,
            "description": self.description,
            "points_to": list(self.points_to),
        }
        if self.failure_type is not None:
            answer["failure_type"] = self.failure_type
            answer["failure"] = self.failure
        return answer


def code_from_bytes(high: int, low: int) -> str:
    """Return the text of two bytes; ``00 00`` gives P0000, which is padding and no fault."""
    return f"{_LETTERS[high >> 6]}{high >> 4 & 3}{high & 15:X}{low:02X}"


def code_of_bytes(data: bytes) -> str:
    """Return the text of two bytes, or of three with the failure type, ``P0123-11``.

    Raises:
        UsageError: another number of bytes.
    """
    if len(data) not in (2, 3):
        raise UsageError(
            f"{len(data)} bytes are no trouble code: write two, as D1 0A, or three with the "
            "failure type, as 01 23 11."
        )
    failure = f"-{data[2]:02X}" if len(data) == 3 else ""
    return code_from_bytes(data[0], data[1]) + failure


def encode_code(code: str) -> bytes:
    """Return the two bytes of a well-formed code without failure type.

    Raises:
        UsageError: the text is no code; the message carries the hint.
    """
    match = _CODE.fullmatch(code)
    if match is None or match[4]:
        raise _refusal(code)
    word = _LETTERS.index(match[1].upper()) << 14 | int(match[2]) << 12 | int(match[3], 16)
    return word.to_bytes(2, "big")


def split_code(text: str) -> tuple[str, str | None]:
    """Return code and failure type of ``P0123-11`` or ``p0420``, in capitals.

    Raises:
        UsageError: the text is no code; the message carries the hint.
    """
    match = _CODE.fullmatch(text.strip())
    if match is None:
        raise _refusal(text)
    code, _, failure_type = match[0].upper().partition("-")
    return code, failure_type or None


def decode_code(text: str) -> TroubleCode:
    """Decode a trouble code, ``P0420`` or with failure type ``P0123-11``.

    Raises:
        UsageError: the text is no code; the message carries the hint.
    """
    code, failure_type = split_code(text)
    owner = owner_of(code)
    row = _listed().get(code)
    if row is not None:
        others = [part for part in row["also_check"].split(";") if part]
        return TroubleCode(
            code,
            owner,
            Sentence(f"code.{code}", row["description"]),
            (row["component"], *others),
            failure_type,
            row["confidence"],
        )
    points_to = _family_components(code) if owner == "standard" else ()
    return TroubleCode(code, owner, _group(code, owner), points_to, failure_type)


@cache
def told_code(code: str, words: str | None = None) -> tuple[str, tuple[str, ...]]:
    """Return what a code on record means and the components it points to.

    `words`, how the reader described it, stand where no own description does. Unlike
    `decode_code` it refuses nothing: a heavy vehicle's ``SPN 110 FMI 0`` is told by its failure
    mode, and what is no code of a standard is said to be none.
    """
    heavy = _HEAVY.fullmatch(code)
    if heavy is not None and int(heavy[2]) < len(FAILURE_MODES):
        mode = FAILURE_MODES[int(heavy[2])]
        if words:
            told = Sentence(
                "code.spn-words", "{words} (the reader's words): {mode}", words=words, mode=mode
            )
        else:
            told = Sentence("code.spn", "parameter {spn}: {mode}", spn=heavy[1], mode=mode)
        return told, ()
    if _CODE.fullmatch(code) is None:
        none = "no code of a published standard, kept as it was written"
        return Sentence("code.none", none), ()
    decoded = decode_code(code)
    if words and code not in _listed():
        said = Sentence("code.words", "{words} (the reader's words)", words=words)
        return said, decoded.points_to
    return decoded.description, decoded.points_to


def owner_of(code: str) -> Owner:
    """Say who defines a code: sure for P; fair for B3, C3, U3 and P3A00 to P3FFF."""
    letter, digit = code[0], code[1]
    if letter == "P" and digit == "3":
        group = int(code[2], 16)
        return "maker" if group <= 3 else "standard" if group <= 9 else "reserved"
    if digit == "0" or (letter == "P" and digit == "2"):
        return "standard"
    if digit == "3":
        # Older lists call U3 generic and newer ones use a few of it; B3 and C3 are not used.
        return "standard" if letter == "U" else "reserved"
    return "maker"


def code_problem(text: str) -> Problem | None:
    """Return what is wrong with a text that should be a code, or None."""
    shown = text.strip() if len(text) <= 40 else text[:40] + "…"
    if _CODE.fullmatch(shown):
        return None
    hint = _code_hint(shown.upper() if shown.isascii() else shown)
    return Problem.of("trouble-code", f"{shown!r} is not a trouble code", hint, "code")


def _code_hint(upper: str) -> str:
    """Return what is wrong with a text in capitals that is no code, and what it may have been."""
    number, hyphen, failure_type = upper.partition("-")
    if hyphen and _CODE.fullmatch(number):
        meant = _digits(failure_type)
        if re.fullmatch(r"[0-9A-F]{2}", meant):
            return f"a failure type is two hexadecimal digits; if {number}-{meant} was meant, {_SO}"
        return "the failure type after the hyphen is two hexadecimal digits, as in P0123-11"
    if re.fullmatch(r"[PCBU]?[0-9OIQLSZ][0-9A-FOIQLSZ]{3}", upper) and re.search("[OIQLSZ]", upper):
        system = upper[:1] if upper[0] in "PCBU" else ""
        number = upper.removeprefix(system)
        wrong = next(c for c in number if c in _DIGIT_MEANT)
        hint = f"it holds the letter {wrong}; if the digit {_DIGIT_MEANT[wrong]} was meant"
        meant = system + _digits(number)
        return f"{hint}, so {meant}, {_SO}" if _CODE.fullmatch(meant) else f"{hint}, {_SO}"
    if re.fullmatch(r"[0-3][0-9A-F]{3}", upper):
        return f"put the letter in front: P powertrain, C chassis, B body, U network, as P{upper}"
    if re.fullmatch(r"[PCBU][4-9A-F][0-9A-F]{3}", upper):
        return "the character after the letter is 0, 1, 2 or 3"
    if re.fullmatch(r"[PCBU][0-9A-F]*", upper):
        return f"it has {len(upper)} characters where a code has 5{_of_other_length(upper)}"
    if re.fullmatch(r"[4-9ADEF][0-9A-F]{3}", upper):
        return f"if these are the code's two bytes, write them apart, as {upper[:2]} {upper[2:]}"
    wrong = next((c for c in upper[1:] if c not in "0123456789ABCDEF"), upper[:1])
    hint = f"{wrong!r} is not a hexadecimal digit; write a code as P0420 or P0123-11"
    near = [upper.replace("G", digit) for digit in "69"] if "G" in upper else []
    likely = [code for code in near if _CODE.fullmatch(code)]
    return f"{hint}; it may be {' or '.join(likely)}" if likely else hint


def _digits(text: str) -> str:
    """Return the text with each letter that looks like a digit as that digit."""
    return "".join(_DIGIT_MEANT.get(character, character) for character in text)


def _of_other_length(upper: str) -> str:
    """Return what a code of a wrong length may have been, as the end of a hint."""
    if len(upper) == 7 and _CODE.fullmatch(upper[:5]):
        return f"; with a failure type it is {upper[:5]}-{upper[5:]}"
    doubled = {
        upper[:at] + upper[at + 1 :]
        for at in range(2, len(upper))
        if len(upper) == 6 and upper[at] == upper[at - 1]
    }
    # A bay leaves the nought out: P301.
    short = {f"{upper[:1]}0{upper[1:]}"} if len(upper) == 4 else set()
    likely = sorted(code for code in doubled | short if _CODE.fullmatch(code))
    return f"; it may be {' or '.join(likely)}" if likely else ""


def _refusal(text: str) -> UsageError:
    problem = code_problem(text)
    if problem is None:
        return UsageError(f"{text!r} has a failure type: give the code alone, as P0123.")
    return UsageError(problem.joined())


@cache
def _listed() -> dict[str, dict[str, str]]:
    text = files("roadworn.trade").joinpath("dtc.csv").read_text(encoding="utf-8")
    return {row["code"]: row for row in csv.DictReader(text.splitlines())}


@cache
def _families() -> tuple[tuple[int, int, str], ...]:
    """Return first and last code of each family as numbers, with the component that it is of."""
    from roadworn.model.catalogue import catalogue

    found = []
    for component in catalogue():
        for family in component.dtc_families:
            first, _, last = family.partition("-")
            low, high = (int.from_bytes(encode_code(c), "big") for c in (first, last or first))
            found.append((low, high, component.id))
    return tuple(found)


def _family_components(code: str) -> tuple[str, ...]:
    # The catalogue knows code families; a listed description is better, so this comes second.
    number = int.from_bytes(encode_code(code), "big")
    return tuple(dict.fromkeys(name for low, high, name in _families() if low <= number <= high))


def _group(code: str, owner: Owner) -> str:
    if owner == "maker":
        return Sentence("code.maker", "Maker's own code: see the maker's service information")
    if owner == "reserved":
        return Sentence("code.reserved", "Reserved range: no meaning is published")
    group = _P0_GROUPS.get(code[2]) if code.startswith("P0") else None
    if group is None:
        return Sentence("code.standard", "Standard code, not in this list")
    return Sentence(
        "code.of-group", "Standard code, not in this list; its group is {group}", group=group
    )
