"""What an inspection asks for, as data: rule sets with the citation beside each figure.

A rule set is a TOML file, so that a shop can write its own for its state without touching
code, and so that no limit hides in code. The packaged ones quote federal rules of the United
States; what a state asks differs, and the outlook says so each time.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from roadworn.model.places import axle_of
from roadworn.model.units import dimension_of
from roadworn.trade.data_file import DataFile, Key
from roadworn.trade.limits import limit_tables
from roadworn.trade.weight import Weight
from roadworn_plugins.shared.packaged import Packaged

_FRONT = frozenset({"front", "1"})

_RULES = {"title": Key("text", must=True), "note": Key("text", must=True)}
_EMISSION = {
    "first_year": Key("whole"),
    "fail_on_permanent": Key("flag"),
    "least_km_since_clear": Key("figure"),
    "just_cleared_km": Key("figure"),
    "allowed": Key("tables"),
}
_ALLOWED = {
    "not_ready": Key("whole", must=True),
    "from_year": Key("whole"),
    "to_year": Key("whole"),
    "fuel": Key("any text"),
    "citation": Key("text"),
}
_ITEM = {
    "key": Key("text", must=True),
    "name": Key("text", must=True),
    "components": Key("components", must=True),
    "citation": Key("text", must=True),
    "mark": Key("text"),
    "sure": Key("text"),
    "weight": Key("any text"),
    "axle": Key("any text"),
    "complete": Key("texts"),
    "measurement": Key("text"),
    "unit": Key("unit"),
    "limit": Key("figure"),
    "direction": Key("text"),
    "table": Key("text"),
    "only_with": Key("components"),
    "only_recorded": Key("flag"),
}
_WORDS = {
    "weight": ("light", "heavy", ""),
    "axle": ("front", "other", ""),
    "direction": ("min", "max"),
    "mark": ("R", "S", "M", "CP", "C"),
    "sure": ("sure", "fair", "check"),
}


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
        only_with: asked only of vehicles on which one of these is on record; empty for all.
        only_recorded: asked only where one of its own components is on record.
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
    only_with: tuple[str, ...] = ()
    only_recorded: bool = False

    def holds_for(self, weight: Weight, recorded: Collection[str] = ()) -> bool:
        """Whether it is asked of a vehicle.

        Args:
            weight: of the vehicle.
            recorded: components on record of it.
        """
        if self.only_with and not set(self.only_with) & set(recorded):
            return False
        if self.only_recorded and not set(self.components) & set(recorded):
            return False
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


def asked_components(items: Iterable[RuleItem]) -> list[str]:
    """Return every component that the items, or the conditions on them, are about, sorted."""
    return sorted({c for item in items for c in (*item.components, *item.only_with)})


def _rules(file: DataFile) -> RuleSet:
    file.sections(("rules", "emission", "item"))
    head = file.table(_RULES, "rules")
    emission = file.table(_EMISSION, "emission") if "emission" in file.data else {}
    rows = emission.pop("allowed", [])
    allowances = []
    for number, row in enumerate(rows if isinstance(rows, list) else [rows], start=1):
        allowances.append(Allowance(**file.table(_ALLOWED, f"emission.allowed {number}", row)))
    for key in ("least_km_since_clear", "just_cleared_km"):
        if key in emission:
            emission[key] = float(emission[key])
    items = tuple(_item(file, where, row) for where, row in file.rows("item", _ITEM))
    return RuleSet(
        name=file.name,
        title=head["title"],
        note=head["note"],
        items=items,
        allowances=tuple(allowances),
        **emission,
    )


def _item(file: DataFile, where: str, row: dict[str, Any]) -> RuleItem:
    for key, words in _WORDS.items():
        file.word(row, key, words, where)
    file.word(row, "table", limit_tables(), where)
    if not row["components"]:
        file.refuse(where, "components is empty: name at least one")
    if "limit" in row or "table" in row:
        for key in ("measurement", "unit", "direction"):
            if key not in row:
                file.refuse(where, f"the key {key!r} is missing beside its limit")
    elif "measurement" in row:
        file.refuse(where, "it says what is measured and no limit: add limit or table")
    if "table" in row:
        table = limit_tables()[row["table"]]
        if dimension_of(table.unit) != dimension_of(row["unit"]):
            file.refuse(where, f"the table {table.name} is in {table.unit}")
    row.setdefault("mark", "M")
    row.setdefault("sure", "check")
    return RuleItem(**row)


RULE_SETS = Packaged("rule set", "inspection_", "inspection_us_federal", "ROADWORN_RULES", _rules)
load_rules = RULE_SETS.load
