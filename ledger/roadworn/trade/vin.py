"""The vehicle identification number: its check digit, its model years, its typing mistakes.

49 CFR 565.13 and 565.15, ISO 3779. A typed VIN is never corrected here: a problem names the
position and offers what it may have been. The check digit does not catch everything: letters
of one value (S and B, 1 and A) and two positions of one weight change places unseen.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from roadworn.problems import Problem

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
    """

    vin: str
    check_digit: CheckDigit
    expected: str | None
    model_years: tuple[int, ...]
    problems: tuple[Problem, ...]

    @property
    def maker_code(self) -> str:
        """Positions 1-3, and 12-14 too when position 3 is 9 (565.15(a): a small maker)."""
        small = len(self.vin) == LENGTH and self.vin[2] == "9"
        return self.vin[:3] + (self.vin[11:14] if small else "")

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
    return Problem(
        "vin-year-recorded",
        f"The VIN gives model year {years}, but {model_year} is recorded.",
        "compare position 10 of the VIN and the papers with what was typed",
        column="model_year",
    )


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
    problems = [*_length_problem(vin), *_character_problems(vin)]
    if problems:
        return Vin(vin, "wrong", None, (), tuple(problems))
    expected = check_digit(vin)
    required = vin[0] in "12345L" if check_digit_market is None else check_digit_market
    state: CheckDigit = "ok" if vin[8] == expected else "wrong" if required else "not_used"
    if check_digit_market is False:
        state = "not_used"
    if state == "wrong":
        problems.append(
            Problem(
                "vin-check-digit",
                f"Position 9 of the VIN is {vin[8]} but the other characters ask for {expected}.",
                "compare each character with the plate; S and 5, B and 8, Z and 2 are alike",
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
    return Vin(vin, state, expected, years, tuple(problems))


def _length_problem(vin: str) -> list[Problem]:
    if len(vin) == LENGTH:
        return []
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
        alike = {"I": "1", "O": "0", "Q": "0"}.get(character)
        problems.append(
            Problem(
                "vin-character",
                f"Position {position} of the VIN is {character!r}, which a VIN never holds.",
                f"it may be {alike}: compare it with the plate"
                if alike
                else "a VIN has capital letters and digits only, without I, O and Q",
                column="vin",
            )
        )
    return problems


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
