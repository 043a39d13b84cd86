"""What an inspection asks for, as data: rule sets with the citation beside each figure.

A rule set is a TOML file, so that a shop can write its own for its state without touching
code, and so that no limit hides in code. The packaged ones quote federal rules of the United
States; what a state asks differs, and the outlook says so each time.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from roadworn.trade.data_file import DataFile, Key
from roadworn.trade.limits import ITEM_KEYS, Item, check_table
from roadworn_plugins.shared.settings import Packaged

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
    **ITEM_KEYS,
    "key": Key("text", must=True),
    "components": Key("components", must=True),
    "citation": Key("text", must=True),
    "weight": Key("any text", words=("light", "heavy", "")),
    "axle": Key("any text", words=("front", "other", "")),
    "complete": Key("texts"),
    "only_with": Key("components"),
    "only_recorded": Key("flag"),
}


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
    items: tuple[Item, ...]
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


def asked_components(items: Iterable[Item]) -> list[str]:
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


def _item(file: DataFile, where: str, row: dict[str, Any]) -> Item:
    if not row["components"]:
        file.refuse(where, "components is empty: name at least one")
    if "limit" in row or "table" in row:
        for key in ("measurement", "unit", "direction"):
            if key not in row:
                file.refuse(where, f"the key {key!r} is missing beside its limit")
    elif "measurement" in row:
        file.refuse(where, "it says what is measured and no limit: add limit or table")
    check_table(file, where, row)
    row.setdefault("mark", "M")
    row.setdefault("sure", "check")
    return Item(**row)


RULE_SETS = Packaged("rule set", "inspection_", "inspection_us_federal", "ROADWORN_RULES", _rules)
load_rules = RULE_SETS.load
