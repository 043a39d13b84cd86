"""What an inspection asks for, as data, and what was last seen of it.

A rule set is a TOML file, so that a shop can write its own for its state without touching
code, and so that no limit hides in code. The packaged ones quote federal rules of the United
States; what a state asks differs, and the outlook says so each time.

A place is as it was when somebody last looked; work done afterwards, or on the same day, puts
it right. Named as not checked is no look at all, and a look-over whose rest was sound speaks
for every place that it did not name, unless that was found failed or measured before.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Literal

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import meet, place_of
from roadworn.model.places import covers
from roadworn.trade import DataFile, Key
from roadworn.trade.judging import KnownSizes, size_keys
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


How = Literal["looked", "replaced", "repaired"]


@dataclass(frozen=True, slots=True)
class Seen:
    """The newest thing known of one place.

    Attributes:
        component: catalogue id.
        place: as written, empty for the component as a whole.
        how: whether it was looked at, or put right after that.
        condition: sound, wearing or failed.
        values: measured figures with their units.
        on: day.
        event: id of the event.
        note: as entered, or an empty text.
    """

    component: str
    place: str
    how: How
    condition: str
    on: date
    event: str
    seq: int
    values: tuple[tuple[float, str], ...] = ()
    note: str = ""

    @property
    def order(self) -> tuple[date, bool, int]:
        """Sorts by what holds last: work of a day counts after the looks of that day."""
        return (self.on, self.how != "looked", self.seq)


@dataclass(frozen=True, slots=True)
class _Rest:
    """A look-over after which everything not named was sound."""

    on: date
    seq: int
    event: str
    not_checked: frozenset[str]


@dataclass(slots=True)
class Looks:
    """What is known of one vehicle.

    `left_out` is the day of the last look-over after which the rest was not checked, `not_checked`
    the last day on which a component was named so.
    """

    findings: dict[str, list[Seen]] = field(default_factory=dict)
    work: dict[str, list[Seen]] = field(default_factory=dict)
    rest: _Rest | None = None
    left_out: date | None = None
    not_checked: dict[str, date] = field(default_factory=dict)
    sizes: KnownSizes = field(default_factory=KnownSizes)

    @property
    def recorded(self) -> set[str]:
        """The components that somebody looked at or worked on, by name."""
        return {*self.findings, *self.work}

    def passed_over(self, components: Iterable[str]) -> date | None:
        """Return the last day on which a look-over left all of these components out, or None."""
        days = [self.not_checked.get(component) for component in components]
        return max(filter(None, (*days, self.left_out)), default=None)

    def newest(self, components: Iterable[str]) -> list[Seen]:
        """Return the newest thing known of each place of these components.

        A place nobody ever named is in the list only through a look at everything, as the
        place with the empty name.
        """
        found = []
        for component in components:
            named = self.findings.get(component, [])
            done = {work.place for work in self.work.get(component, ())}
            places = {seen.place for seen in named} | done | {""}
            for place in sorted(places):
                newest = self._at(component, place, named)
                if newest is not None:
                    found.append(newest)
        return found

    def _at(self, component: str, place: str, named: Sequence[Seen]) -> Seen | None:
        own = [s for s in named if s.place == place]
        if place:
            own += [s for s in named if s.place == "" and s.condition == "sound"]
        work = [
            w
            for w in self.work.get(component, ())
            if not place or covers(w.place, place) or meet(component, w.place, place)
        ]
        if not place and not own:
            # Work at one place says nothing of the others.
            work = [w for w in work if w.place == ""]
        candidates = [*own, *work]
        rest = self.rest
        if rest is not None and component not in rest.not_checked:
            general = Seen(component, place, "looked", "sound", rest.on, rest.event, rest.seq)
            # What a look-over names outweighs what it says of the rest; and "everything else
            # sound" neither mends what was written down as failed nor measures it anew.
            if all(s.seq != rest.seq and s.condition != "failed" and not s.values for s in own):
                candidates.append(general)
        return max(candidates, key=lambda s: s.order, default=None)


def load_looks(view: LedgerView, components: Sequence[str]) -> Mapping[str, Looks]:
    """Return vehicle -> what is known of these components, read once for a view."""
    asked = tuple(components)
    return view.kept((Looks, asked), lambda: _read_looks(view, asked))


def _read_looks(view: LedgerView, components: tuple[str, ...]) -> Mapping[str, Looks]:
    found: dict[str, Looks] = {}
    marks = ", ".join("?" * len(components))
    names = ", ".join("?" * len(size_keys()))
    measured: dict[tuple[int, str, str], list[tuple[float, str]]] = {}
    latest = f"""
        SELECT * FROM (
          SELECT *, dense_rank() OVER (PARTITION BY vehicle_id, component, coalesce(position, '')
                                       ORDER BY occurred_at DESC, seq DESC) AS back
          FROM findings WHERE condition <> 'not_checked' AND component IN ({marks}))
        WHERE back = 1"""
    for seq, component, place, value, unit in view.sql(
        f"""SELECT m.seq, m.component, coalesce(m.position, ''), m.value, m.unit
            FROM measurements AS m JOIN ({latest}) AS f
              ON f.seq = m.seq AND f.component = m.component
              AND coalesce(f.position, '') = coalesce(m.position, '')
            WHERE coalesce(m.name, '') NOT IN ({names})
            ORDER BY m.seq, m.component, m.position, m.value""",
        (*components, *size_keys()),
    ).rows:
        measured.setdefault((seq, component, place), []).append((value, unit))
    for vehicle, component, written, condition, on, event, seq, note in view.sql(
        f"""SELECT vehicle_id, component, coalesce(position, ''), condition, occurred_on, event_id,
                   seq, coalesce(note, '')
            FROM ({latest})
            ORDER BY vehicle_id, component,
                     CASE condition WHEN 'failed' THEN 0 WHEN 'wearing' THEN 1 ELSE 2 END,
                     position""",
        components,
    ).rows:
        values = tuple(measured.get((seq, component, written), ()))
        place = place_of(component, written)
        seen = Seen(component, place, "looked", condition, on, event, seq, values, note)
        _keep_newest(found.setdefault(vehicle, Looks()).findings.setdefault(component, []), seen)
    for kind, table in (("replaced", "replacements"), ("repaired", "repairs")):
        how: How = "replaced" if kind == "replaced" else "repaired"
        for vehicle, component, written, on, event, seq in view.sql(
            f"""SELECT vehicle_id, component, coalesce(position, ''), max(occurred_on),
                       max_by(event_id, (occurred_on, seq)), max_by(seq, (occurred_on, seq))
                FROM {table} WHERE component IN ({marks})
                GROUP BY vehicle_id, component, coalesce(position, '')
                ORDER BY vehicle_id, component, coalesce(position, '')""",
            components,
        ).rows:
            work = found.setdefault(vehicle, Looks()).work.setdefault(component, [])
            place = place_of(component, written)
            work.append(Seen(component, place, how, "sound", on, event, seq))
    _add_rests(view, found)
    _add_passed_over(view, found)
    _add_sizes(view, found)
    return found


def _keep_newest(looks: list[Seen], seen: Seen) -> None:
    """Keep the newest look at each place; both wheels of an axle set make one, the worse."""
    at = next((i for i, s in enumerate(looks) if s.place == seen.place), None)
    if at is None:
        looks.append(seen)
    elif looks[at].seq == seen.seq:
        # Rows come worst first, so the condition kept is the worse one.
        looks[at] = replace(looks[at], values=(*looks[at].values, *seen.values))
    elif looks[at].order < seen.order:
        looks[at] = seen


def _add_rests(view: LedgerView, found: dict[str, Looks]) -> None:
    rows = view.sql(
        """WITH last AS (
             SELECT vehicle_id, max(occurred_on) AS on_day,
                    max_by(event_id, (occurred_on, seq)) AS event_id,
                    max_by(seq, (occurred_on, seq)) AS seq
             FROM inspections WHERE rest = 'sound' GROUP BY vehicle_id)
           SELECT l.vehicle_id, l.on_day, l.event_id, l.seq,
                  list(f.component) FILTER (WHERE f.condition = 'not_checked')
           FROM last AS l LEFT JOIN findings AS f ON f.seq = l.seq
           GROUP BY ALL ORDER BY l.vehicle_id"""
    ).rows
    for vehicle, on, event, seq, not_checked in rows:
        found.setdefault(vehicle, Looks()).rest = _Rest(
            on, seq, event, frozenset(not_checked or ())
        )


def _add_passed_over(view: LedgerView, found: dict[str, Looks]) -> None:
    """Add when a look-over left things out: by name, or everything that it did not name."""
    for vehicle, component, on in view.sql(
        """SELECT vehicle_id, component, max(occurred_on) FROM findings
           WHERE condition = 'not_checked' GROUP BY vehicle_id, component
           UNION ALL
           SELECT vehicle_id, '', max(occurred_on) FROM inspections
           WHERE rest = 'not_checked' GROUP BY vehicle_id ORDER BY ALL"""
    ).rows:
        looks = found.setdefault(vehicle, Looks())
        if component:
            looks.not_checked[component] = on
        else:
            looks.left_out = on


def _add_sizes(view: LedgerView, found: dict[str, Looks]) -> None:
    """Add the sizes that limits hang on, as figures of that name or types in a note."""
    keys = size_keys()
    told: dict[str, list[dict[str, Any]]] = {}
    for vehicle, component, position, note, name, value, unit in view.sql(
        f"""SELECT vehicle_id, component, position, note, name, value, unit FROM (
              SELECT vehicle_id, component, position, NULL AS note, name, value, unit,
                     occurred_on, seq
              FROM measurements WHERE name IN ({", ".join("?" * len(keys))})
              UNION ALL
              SELECT vehicle_id, component, position, note, NULL, NULL, NULL, occurred_on, seq
              FROM findings WHERE {" OR ".join(["lower(note) LIKE ?"] * len(keys))})
            ORDER BY vehicle_id, occurred_on DESC, seq DESC, component, position, name""",
        (*keys, *(f"%{key}%" for key in keys)),
    ).rows:
        finding = {"position": place_of(component, position), "note": note, "measurements": []}
        if name is not None:
            finding["measurements"] = [{"name": name, "value": value, "unit": unit}]
        told.setdefault(vehicle, []).append(finding)
    for vehicle, findings in told.items():
        found.setdefault(vehicle, Looks()).sizes = KnownSizes.of_findings(findings)
