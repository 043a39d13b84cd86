"""What an inspection asks for, as data: rule sets with the citation beside each figure.

A rule set is a TOML file, so that a shop can write its own for its state without touching
code, and so that no limit hides in code. The packaged ones quote federal rules of the United
States; what a state asks differs, and the outlook says so each time.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from roadworn.catalogue import catalogue
from roadworn.catalogue.positions import axle_of
from roadworn.errors import UsageError
from roadworn.units import UnitError, dimension_of

Weight = Literal["light", "heavy"]
_FRONT = frozenset({"front", "1"})


@dataclass(frozen=True, slots=True)
class RuleItem:
    """One thing that an inspection looks at.

    Attributes:
        key: short name, used in settings.
        name: as a person says it.
        components: catalogue ids; a failed one fails the item.
        citation, mark, sure: where it is from and how well founded, as in the look-over sheets.
        weight: ``light`` (10,000 lb or less), ``heavy``, or empty for both.
        axle: ``front``, ``other``, or empty for all.
        complete: places that must all have been looked at before the item passes.
        measurement, unit, limit, direction: what is measured, and the figure at which it still
            passes; None for items that are looked at only.
        table: limit table of the look-over sheets, when the limit depends on a size.
    """

    key: str
    name: str
    components: tuple[str, ...]
    citation: str
    mark: str
    sure: str
    weight: str = ""
    axle: str = ""
    complete: tuple[str, ...] = ()
    measurement: str = ""
    unit: str = ""
    limit: Decimal | None = None
    direction: str = ""
    table: str = ""

    def holds_for(self, weight: Weight) -> bool:
        """Whether it is asked of vehicles of this weight."""
        return self.weight in ("", weight)

    def covers(self, position: str | None) -> bool:
        """Whether a place belongs to this item; a finding without a place may be any."""
        if not self.axle or position is None:
            return True
        return (axle_of(position) in _FRONT) == (self.axle == "front")


@dataclass(frozen=True, slots=True)
class Allowance:
    """How many monitors may be unfinished for model years and a fuel."""

    not_ready: int
    from_year: int = 0
    to_year: int = 9999
    fuel: str = ""
    citation: str = ""


@dataclass(frozen=True, slots=True)
class RuleSet:
    """Everything an inspection asks for.

    Attributes:
        name: of the file.
        title: whose rules they are.
        note: said with every outlook.
        items: what is looked at.
        allowances: unfinished monitors allowed; the first that fits holds.
        first_year: model years before it are not tested by the onboard system.
        fail_on_permanent: whether a permanent code fails by itself.
        least_km_since_clear: nearer than this to a clearing it is sent back, 0 for no rule.
        just_cleared_km: with no monitor finished and less than this driven since a clearing, or
            a distance nobody read, codes were cleared just before (common practice, no source).
    """

    name: str
    title: str
    note: str
    items: tuple[RuleItem, ...]
    allowances: tuple[Allowance, ...] = ()
    first_year: int = 1996
    fail_on_permanent: bool = False
    least_km_since_clear: float = 0.0
    just_cleared_km: float = 80.0

    def allowance(self, model_year: int, fuel: str | None) -> Allowance | None:
        """Return how many monitors may be unfinished, or None when no rule says."""
        kind = (fuel or "").casefold()
        for rule in self.allowances:
            if rule.from_year <= model_year <= rule.to_year and rule.fuel in ("", kind):
                return rule
        return None


def packaged_rules() -> tuple[str, ...]:
    """Return the names of the packaged rule sets, sorted."""
    names = (entry.name for entry in _folder().iterdir())
    return tuple(sorted(n.removesuffix(".toml") for n in names if n.startswith("inspection_")))


def load_rules(name: str) -> RuleSet:
    """Return a packaged rule set by name, or a shop's own by the path of its TOML file.

    Raises:
        UsageError: there is none, or the file does not say what a rule set must.
    """
    if name in packaged_rules():
        text = _folder().joinpath(f"{name}.toml").read_text(encoding="utf-8")
    else:
        text = read_own_file(name, "rule set", packaged_rules())
    try:
        return _rules(name, tomllib.loads(text))
    except (tomllib.TOMLDecodeError, KeyError, TypeError, InvalidOperation, UnitError) as error:
        raise UsageError(
            f"The rule set {name} cannot be read: {type(error).__name__} {error}; compare it with "
            "the packaged inspection_us_federal.toml."
        ) from None


def read_own_file(name: str, what: str, packaged: tuple[str, ...]) -> str:
    """Return the text of a shop's own TOML file.

    Raises:
        UsageError: it is not there, or is no text.
    """
    if not name.endswith(".toml"):
        raise UsageError(
            f"There is no {what} {name!r}: use {' or '.join(packaged)}, or the path of a TOML file."
        )
    try:
        return Path(name).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise UsageError(
            f"The {what} {name} cannot be read: give the path of a TOML file in UTF-8."
        ) from None


def weight_of(weight_class: str | None) -> Weight | None:
    """Return what a recorded weight class says, or None when it says nothing.

    Words (``light``, ``heavy``) count, and so does a figure in lb or kg: the line is
    10,000 lb or 4,536 kg gross weight (49 CFR 570.1 and 570.51).
    """
    text = (weight_class or "").casefold().replace(",", "")
    if "heavy" in text:
        return "heavy"
    if "light" in text:
        return "light"
    words = text.split()
    numbers = [float(word) for word in words if word.isascii() and word.isdigit()]
    if not numbers or not ("lb" in words or "kg" in words):
        return None
    return "heavy" if max(numbers) > (10_000 if "lb" in words else 4_536) else "light"


def _folder() -> Any:  # noqa: ANN401
    return files("roadworn_plugins").joinpath("rules")


def _rules(name: str, data: Mapping[str, Any]) -> RuleSet:
    head, emission = data["rules"], dict(data.get("emission", {}))
    allowances = tuple(Allowance(**row) for row in emission.pop("allowed", ()))
    items = tuple(_item(row) for row in data.get("item", ()))
    return RuleSet(
        name=name,
        title=head["title"],
        note=head["note"],
        items=items,
        allowances=allowances,
        **emission,
    )


def _item(row: Mapping[str, Any]) -> RuleItem:
    fields = dict(row)
    fields["components"] = tuple(fields["components"])
    fields["complete"] = tuple(fields.get("complete", ()))
    for component in fields["components"]:
        if catalogue().find(component) is None:
            raise KeyError(f"component {component}")
    if "limit" in fields:
        fields["limit"] = Decimal(fields["limit"])  # text in the file: exact
        dimension_of(fields["unit"])
    return RuleItem(**fields)
