"""Sections of a terms file read key by key; every refusal names file, section, key and reason."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from roadworn.errors import UsageError

_ZERO = Decimal(0)
_MOST = Decimal(1_000_000_000)
_LONGEST = 2_000
#: Section -> its keys; None where the names are the shop's own.
Sections = Mapping[str, tuple[str, ...] | None]


class TermsSections:
    """A parsed file, asked for one value at a time.

    Args:
        name: file name, for messages.
        given: what the TOML says; floats as Decimal.
        sections: which there may be.
    """

    def __init__(self, name: str, given: Mapping[str, Any], sections: Sections) -> None:
        self.name = name
        self.given = given
        self._sections = sections

    def check_names(self, *single: str) -> None:
        """Refuse a section that is none; `single` are keys that stand outside of any.

        Raises:
            UsageError: there is one.
        """
        for key in self.given:
            if key not in (*single, *self._sections):
                raise self.unknown(key, "section", (*single, *self._sections))

    def section(self, section: str) -> Mapping[str, Any]:
        """Return a section, empty when the file has none.

        Raises:
            UsageError: it is no section, or has a key that is none of its own.
        """
        table = self.given.get(section, {})
        if not isinstance(table, dict):
            raise self.wrong(f"{section} is a section: write it as [{section}].")
        known = self._sections[section]
        for key in table:
            if known is not None and key not in known:
                raise self.unknown(key, f"key of [{section}]", known)
        return table

    def wrong(self, what: str) -> UsageError:
        """Return the refusal of something in the file, a sentence that goes on from its name."""
        return UsageError(f"In the terms {self.name}, {what}")

    def unknown(self, key: str, what: str, known: tuple[str, ...]) -> UsageError:
        """Return the refusal of a key, with the likely one that was meant."""
        near = nearest_of(key, known)
        hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(known)}."
        return UsageError(f"The terms {self.name} have an unknown {what}, {key!r}; {hint}")

    def number(self, section: str, table: Mapping[str, Any], key: str) -> Decimal:
        """Return a number from 0 on, to four decimals.

        Raises:
            UsageError: it is something else.
        """
        value = table[key]
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise self.wrong(
                f"{key} in [{section}] is a number: write it as {key} = 25.00, without quotes."
            )
        number = Decimal(value)
        fine = number.is_finite() and _ZERO <= number <= _MOST and number == round(number, 4)
        if not fine:
            raise self.wrong(
                f"{key} in [{section}] cannot be {value!s:.30}: write a "
                "number from 0 on with at most four decimals."
            )
        return round(number, 4).normalize() + _ZERO

    def percent(
        self, section: str, table: Mapping[str, Any], key: str, default: Decimal = _ZERO
    ) -> Decimal:
        """Return a percentage, or `default` when it is not there."""
        number = self.number(section, table, key) if key in table else default
        if number > 9_999:
            raise self.wrong(f"{key} in [{section}] is {number} %: write 45 for 45 %.")
        return number

    def switch(self, section: str, table: Mapping[str, Any], key: str, *, default: bool) -> bool:
        """Return true or false, or `default` when it is not there.

        Raises:
            UsageError: it is something else.
        """
        value = table.get(key, default)
        if not isinstance(value, bool):
            raise self.wrong(f"{key} in [{section}] is true or false, without quotes.")
        return value

    def text(self, section: str, table: Mapping[str, Any], key: str) -> str:
        """Return a text without blanks around it, empty when it is not there.

        Raises:
            UsageError: it is no text, or too long to print.
        """
        value = table.get(key, "")
        if not isinstance(value, str):
            raise self.wrong(f"{key} in [{section}] is a text: write it in quotes.")
        if len(value) > _LONGEST:
            raise self.wrong(
                f"{key} in [{section}] has {len(value):,} characters: keep it to {_LONGEST:,}."
            )
        return value.strip()


def nearest_of(word: str, known: tuple[str, ...]) -> list[str]:
    """Return up to three of `known` that look like `word`."""
    from roadworn.intake.context import nearest

    return nearest(word, list(known))
