"""The vehicle identification number: its check digit, its model years, its typing mistakes.

49 CFR 565.13 and 565.15, ISO 3779. A typed VIN is never corrected here: a problem names the
position and offers what it may have been. The check digit does not catch everything: letters
of one value (S and B, 1 and A) and two positions of one weight change places unseen.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from roadworn.model.messages import Problem

LENGTH = 17
#: 49 CFR 565.15(c)(1) Table III; digits count as themselves.
VALUES: Mapping[str, int] = {
    **{str(digit): digit for digit in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
#: 49 CFR 565.15(c)(2) Table IV, positions 1 to 17.
WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
#: 49 CFR 565.15(d)(1) Table VII: A is 1980 and 2010, and so on (from memory, sure).
YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"
_FIRST_YEAR = 1981  # the 17-character rule starts with this model year
_CYCLE = 30
#: Letters that a VIN never holds -> the digit that stands on the plate.
_NEVER: Mapping[str, str] = {"I": "1", "O": "0", "Q": "0"}
#: Characters that are taken for each other on a worn plate or in handwriting; from memory.
_ALIKE: Mapping[str, str] = {
    **dict(zip("SBZGD1", "582607", strict=True)),
    **dict(zip("582607", "SBZGD1", strict=True)),
}
#: First characters of North America and China, where the check digit is required or used.
_CHECKED = "12345L"
_MOST_LIKELY = 3

CheckDigit = Literal["ok", "wrong", "not_used"]


@dataclass(frozen=True, slots=True)
class Vin:
    """What a VIN says.

    Attributes:
        vin: as typed, in capitals, without surrounding blanks.
        check_digit: ``ok``, ``wrong``, or ``not_used`` where the market has none.
        expected: the check digit the other characters ask for, or None when they are unfit.
        model_years: possible model years, ascending; two where the rule cannot decide.
        problems: what is wrong with it, empty when nothing is.
        doubts: what is odd only if its market uses the check digit, which cannot be told.
    """

    vin: str
    check_digit: CheckDigit
    expected: str | None
    model_years: tuple[int, ...]
    problems: tuple[Problem, ...]
    doubts: tuple[Problem, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return the `decode vin` contract."""
        return {
            "vin": self.vin,
            "check_digit": self.check_digit,
            "expected": self.expected,
            "model_years": list(self.model_years),
            "problems": [problem.as_json() for problem in self.problems],
        }


def check_digit(vin: str) -> str:
    """Return the check digit of 17 legal characters, by 49 CFR 565.15(c)(3)-(4).

    Raises:
        KeyError: a character without a value.
    """
    rest = sum(VALUES[c] * w for c, w in zip(vin, WEIGHTS, strict=True)) % 11
    return "X" if rest == 10 else str(rest)


def year_problem(vin: Vin, model_year: int | None) -> Problem | None:
    """Return what is wrong when a VIN gives another model year than was recorded, or None.

    A mismatch is for a person to settle: either may be typed wrong, and nothing is corrected.
    """
    if model_year is None or not vin.model_years or model_year in vin.model_years:
        return None
    years = " or ".join(str(year) for year in vin.model_years)
    hint = f"compare position 10 of the VIN, {vin.vin[9]}, and the papers with what was typed"
    if model_year >= _FIRST_YEAR:
        hint += f"; {model_year} would be {YEAR_CODES[(model_year - 1980) % _CYCLE]}"
    if vin.vin[0] not in _CHECKED:
        hint += "; in many markets position 10 does not tell the year"
    return Problem(
        "vin-year-recorded",
        f"The VIN gives model year {years}, but {model_year} is recorded.",
        hint,
        column="model_year",
    )


def likely_vins(vin: str) -> tuple[str, ...]:
    """Return what may have been meant by a VIN whose check digit does not fit, likeliest first.

    Two neighbours exchanged, or one character for another that looks like it, so that the
    check digit fits. One in eleven of all slips fits by chance: these are for the eye only.

    Args:
        vin: 17 legal characters.
    """
    exchanged = (
        vin[:at] + vin[at + 1] + vin[at] + vin[at + 2 :]
        for at in range(LENGTH - 1)
        if vin[at] != vin[at + 1]
    )
    alike = (
        vin[:at] + _ALIKE[character] + vin[at + 1 :]
        for at, character in enumerate(vin)
        if character in _ALIKE
    )
    # Where the running number is of digits, a letter in it is no help.
    digits = vin[12:].isdigit()
    return tuple(
        meant
        for meant in (*exchanged, *alike)
        if meant[9] in YEAR_CODES and (meant[12:].isdigit() or not digits) and fits(meant)
    )


def fits(vin: str) -> bool:
    """Whether 17 legal characters hold their own check digit."""
    return check_digit(vin) == vin[8]


def decode_vin(
    text: str,
    *,
    check_digit_market: bool | None = None,
    light: bool | None = None,
    latest: int | None = None,
) -> Vin:
    """Decode a VIN.

    Args:
        text: as typed; small letters are taken as capitals.
        check_digit_market: whether the vehicle was built for a market that requires the
            check digit (US, Canada; China by GB 16735). None: judged by the first character,
            1 to 5 and L requiring it, elsewhere only a match counts.
        light: whether it is a passenger car, or a multipurpose vehicle or truck of at most
            10,000 lb, for which position 7 tells the two year cycles apart. None: unknown.
        latest: latest believable model year; None for next year.
    """
    vin = text.strip()
    if vin.isascii():  # the capital of another letter may be two letters
        vin = vin.upper()
    if len(vin) > 4 * LENGTH:
        vin = vin[: 4 * LENGTH] + "…"
    # Blanks and hyphens are one slip however many there are, so the rest is looked at without.
    joined = "".join(character for character in vin if character not in " -")
    rest = joined if len(joined) == LENGTH else vin
    problems = [*_length_problem(vin), *_character_problems(rest)]
    if problems:
        return Vin(vin, "wrong", None, (), tuple(problems))
    expected = check_digit(vin)
    required = vin[0] in _CHECKED if check_digit_market is None else check_digit_market
    state: CheckDigit = "ok" if vin[8] == expected else "wrong" if required else "not_used"
    if check_digit_market is False:
        state = "not_used"
    if state == "wrong":
        problems.append(
            Problem(
                "vin-check-digit",
                f"Position 9 of the VIN is {vin[8]} but the other characters ask for {expected}.",
                "compare each character with the plate; S and 5, B and 8, Z and 2 are alike"
                + _told(likely_vins(vin)),
                column="vin",
            )
        )
    years = _model_years(vin, light, latest)
    if not years and required:
        problems.append(
            Problem(
                "vin-year",
                f"Position 10 of the VIN is {vin[9]}, which stands for no model year.",
                "compare position 10 with the plate; U, Z and 0 are not used there",
                column="vin",
            )
        )
    doubts = () if check_digit_market is not None else _unsure(vin, state, expected)
    return Vin(vin, state, expected, years, tuple(problems), doubts)


def _unsure(vin: str, state: CheckDigit, expected: str) -> tuple[Problem, ...]:
    """Return a word about a digit that is wrong if it is a check digit; a letter never is one."""
    if state != "not_used" or vin[8] not in "0123456789X":
        return ()
    return (
        Problem(
            "vin-check-digit-unsure",
            f"Position 9 of the VIN is {vin[8]}; as a check digit it would be {expected}, but many "
            "markets do not use one.",
            "if it was built for the US, Canada or China, compare each character with the plate"
            + _told(likely_vins(vin)),
            column="vin",
        ),
    )


def _told(likely: tuple[str, ...]) -> str:
    """Return the likely VINs as the end of a hint, or nothing when there are none or many."""
    if not 0 < len(likely) <= _MOST_LIKELY:
        return ""
    return f"; {' or '.join(likely)} would fit"


def _length_problem(vin: str) -> list[Problem]:
    if len(vin) == LENGTH:
        return []
    joined = "".join(character for character in vin if character not in " -")
    if len(joined) == LENGTH:
        return [
            Problem(
                "vin-length",
                f"The VIN has {len(vin)} characters, not {LENGTH}.",
                f"without blanks and hyphens it is {joined}",
                column="vin",
            )
        ]
    return [
        Problem(
            "vin-length",
            f"The VIN has {len(vin)} characters, not {LENGTH}.",
            "copy it from the plate without blanks; vehicles before 1981 may have fewer",
            column="vin",
        )
    ]


def _character_problems(vin: str) -> list[Problem]:
    problems = []
    for position, character in enumerate(vin[:LENGTH], start=1):
        if character in VALUES:
            continue
        alike = _NEVER.get(character)
        problems.append(
            Problem(
                "vin-character",
                f"Position {position} of the VIN is {character!r}, which a VIN never holds.",
                f"it may be {alike}{_without_letters(vin)}: compare it with the plate"
                if alike
                else "a VIN has capital letters and digits only, without I, O and Q",
                column="vin",
            )
        )
    return problems


def _without_letters(vin: str) -> str:
    """Return the VIN with each I, O and Q as a digit, in words, when that makes a whole one."""
    meant = "".join(_NEVER.get(character, character) for character in vin)
    if len(meant) != LENGTH or not all(character in VALUES for character in meant):
        return ""
    return f", so {meant}, which fits its check digit" if fits(meant) else f", so {meant}"


def _model_years(vin: str, light: bool | None, latest: int | None) -> tuple[int, ...]:
    if vin[9] not in YEAR_CODES:
        return ()
    first = 1980 + YEAR_CODES.index(vin[9])
    years = (first, first + _CYCLE)
    if light:  # 49 CFR 565.15(b): from model year 2010 position 7 of light vehicles is a letter
        return (years[1],) if vin[6].isalpha() else (years[0],)
    limit = datetime.now(UTC).year + 1 if latest is None else latest
    believable = tuple(year for year in years if _FIRST_YEAR <= year <= limit)
    return believable or (years[1],)
