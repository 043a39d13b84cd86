"""Which rules hold for each vehicle, and what an inspection by them would say of it."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from roadworn.analysis import Settings
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.errors import UsageError
from roadworn.trade.limits import Item, limit_tables
from roadworn.trade.weight import weigh
from roadworn_plugins.inspection.outcomes import (
    LastScan,
    judge_item,
    judge_socket,
    last_scans,
    worst,
)
from roadworn_plugins.inspection.tables import Inspected, Told, cause_open, officials_of
from roadworn_plugins.shared.grouped import Unit
from roadworn_plugins.shared.prices import Prices
from roadworn_plugins.shared.rule_sets import (
    Looks,
    RuleSet,
    asked_components,
    load_looks,
    load_rules,
)
from roadworn_plugins.shared.settings import listed, vehicle_classes

#: Where there is none, there is nothing for the onboard system to watch.
_ENGINE = "engine.assembly"
_WHEEL = "steering wheel diameter"
#: What a profile says of a vehicle that no inspection is asked for.
NOT_INSPECTED = "none"


class InspectionOutlookSettings(Settings):
    """Whose rules hold, and what they allow; an empty setting leaves the rule set as it is."""

    vehicle: Annotated[str | None, Field(description="only this vehicle")] = None
    unit: Annotated[Unit | None, Field(description="mi or km")] = None
    rules: Annotated[
        str,
        Field(
            description="rule set or path of one; else that of the vehicle's profile, else "
            "ROADWORN_RULES, else the federal rules"
        ),
    ] = ""
    inspected: Annotated[
        bool | None,
        Field(
            description="false where no inspection is asked for: says what would have failed; "
            "as the profile of each vehicle says when not given"
        ),
    ] = None
    leave_out: Annotated[str, Field(description="items not asked for here, with commas")] = ""
    emission: Annotated[bool, Field(description="whether the onboard system is inspected")] = True
    allowed_not_ready: Annotated[
        int | None, Field(ge=0, description="unfinished monitors allowed, for all model years")
    ] = None
    fail_on_permanent: Annotated[
        bool | None, Field(description="whether a permanent code fails by itself")
    ] = None
    least_km_since_clear: Annotated[
        float | None, Field(ge=0, description="nearer to a clearing it is sent back, in km")
    ] = None
    tread_32nds: Annotated[
        Decimal | None, Field(gt=0, description="least tread, in 32nds of an inch")
    ] = None
    lining_mm: Annotated[Decimal | None, Field(gt=0, description="least lining, in mm")] = None
    steering_wheel_in: Annotated[
        Decimal | None,
        Field(gt=0, description="steering wheel diameter in inches, where none is on record"),
    ] = None
    steering: Annotated[
        Literal["", "manual", "power"],
        Field(description="heavy vehicles: the column of 49 CFR 393.209(b) that holds, if any"),
    ] = ""
    heavy_classes: Annotated[
        str, Field(description="classes of more than 10,000 lb, with commas, if not on record")
    ] = ""
    look_days: Annotated[int, Field(ge=1, description="an older look does not count")] = 365
    due_days: Annotated[
        int, Field(ge=0, description="official inspections that run out within are listed")
    ] = 60
    scan_days: Annotated[int, Field(ge=1, description="an older read-out does not count")] = 90


def told_of(view: LedgerView, settings: InspectionOutlookSettings) -> Sequence[Told]:
    """Return every vehicle that is still here, or the one asked for, with all judged about it.

    Kept with the view: whoever asks what the next inspection would fail on gets the same answer.
    """
    # How distances are shown changes nothing of what is judged.
    asked = settings.model_copy(update={"unit": None})
    return view.kept(("inspection told", asked), lambda: _told_of(view, asked))


def _told_of(view: LedgerView, settings: InspectionOutlookSettings) -> list[Told]:
    vehicles = _vehicles(view, settings)
    items = [item for one in vehicles for item in one.rules.items]
    looks = load_looks(view, asked_components(items))
    scans, prices = last_scans(view), Prices.load(view)
    return [_judge(view, v, v.rules, looks, scans, prices, settings) for v in vehicles]


def rules_of(settings: InspectionOutlookSettings, named: str) -> tuple[RuleSet, str]:
    """Return the rules for a vehicle whose profile names some, and why those cannot be read.

    One that cannot be read must not keep the answer about all other vehicles back.
    """
    if settings.rules or not named:
        return _adjusted(load_rules(settings.rules), settings), ""
    try:
        return _adjusted(load_rules(named), settings), ""
    except UsageError as error:
        return _adjusted(load_rules(), settings), error.message


def _adjusted(rules: RuleSet, settings: InspectionOutlookSettings) -> RuleSet:
    """Return the rule set with what the settings say instead."""
    left_out = listed(settings.leave_out, {item.key for item in rules.items}, "item of the rules")
    own: dict[str, tuple[Decimal, str]] = {}
    if settings.tread_32nds is not None:
        own["tread"] = (settings.tread_32nds, "32nds")
    if settings.lining_mm is not None:
        own["lining"] = (settings.lining_mm, "mm")
    items = tuple(
        replace(
            item, limit=own[item.key][0], unit=own[item.key][1], citation="set here", mark="setting"
        )
        if item.key in own
        else item
        for item in rules.items
        if item.key not in left_out
    )
    if settings.steering:
        items = tuple(_by_column(item, settings.steering) for item in items)
    changed = replace(rules, items=items)
    if settings.allowed_not_ready is not None:
        one = replace(
            rules.allowances[0],
            not_ready=settings.allowed_not_ready,
            from_year=0,
            to_year=9999,
            fuel="",
            citation="set here",
        )
        changed = replace(changed, allowances=(one,))
    if settings.fail_on_permanent is not None:
        changed = replace(changed, fail_on_permanent=settings.fail_on_permanent)
    if settings.least_km_since_clear is not None:
        changed = replace(changed, least_km_since_clear=settings.least_km_since_clear)
    return changed


def _by_column(item: Item, column: str) -> Item:
    """Return the free play of heavy vehicles by a column of 49 CFR 393.209(b)."""
    if item.table != "steering_play" or item.weight != "heavy":
        return item
    table = limit_tables()[f"steering_play_commercial_{column}"]
    return replace(
        item, table=table.name, citation=table.citation, mark=table.mark, sure=table.sure
    )


def _vehicles(view: LedgerView, settings: InspectionOutlookSettings) -> list[Inspected]:
    heavy = listed(settings.heavy_classes, vehicle_classes(view), "vehicle class")
    rows = view.of_vehicle(
        """SELECT v.vehicle_id, v.vehicle_class, v.model_year, v.fuel, v.weight_class, v.duty,
                   trim(coalesce(v.inspected_by, ''))
            FROM vehicles AS v WHERE v.retired_on IS NULL AND ONLY(v.vehicle_id)
            ORDER BY v.vehicle_id""",
        settings.vehicle,
    ).rows
    absent: dict[str, set[str]] = {}
    for name, component in view.sql(
        "SELECT vehicle_id, component FROM absent_parts WHERE axle = '' ORDER BY ALL"
    ).rows:
        absent.setdefault(name, set()).add(component)
    officials = officials_of(view)
    found = []
    by_name: dict[str, tuple[RuleSet, str]] = {}
    for name, kind, year, fuel, weight, duty, by in rows:
        none = by.casefold() == NOT_INSPECTED
        named = "" if none else by
        if named not in by_name:
            by_name[named] = rules_of(settings, named)
        chosen, unread = by_name[named]
        asked = settings.inspected if settings.inspected is not None else not none
        said = weigh({"weight_class": weight, "vehicle_class": kind, "duty": duty})
        taken, doubt = ("heavy", "") if kind in heavy else (said.weight, said.doubt)
        without = frozenset(absent.get(name, ()))
        own = officials.get(name, ())
        found.append(
            Inspected(
                *(name, kind, year, fuel, taken, chosen, own, doubt, without),
                asked=asked,
                inspected_by=by,
                unread=unread,
            )
        )
    return found


def _judge(
    view: LedgerView,
    vehicle: Inspected,
    rules: RuleSet,
    looks: Mapping[str, Looks],
    scans: Mapping[str, LastScan],
    prices: Prices,
    settings: InspectionOutlookSettings,
) -> Told:
    own = looks.get(vehicle.name, Looks())
    sizes = own.sizes
    if settings.steering_wheel_in is not None:
        sizes = replace(sizes, whole={_WHEEL: str(settings.steering_wheel_in), **sizes.whole})
    items = [
        judge_item(
            item,
            own.newest(item.components),
            view.today,
            settings.look_days,
            sizes,
            own.passed_over(item.components),
        )
        for item in rules.items
        if item.holds_for(vehicle.weight or "light", own.recorded)
        and not vehicle.absent.issuperset(item.components)
    ]
    if settings.emission and _ENGINE not in vehicle.absent:
        scan = scans.get(vehicle.name)
        items.append(
            judge_socket(
                scan, vehicle.model_year, vehicle.fuel, rules, view.today, settings.scan_days
            )
        )
    costs, unpriced = [], list[str]()
    for item in items:
        row = [prices.of(c, vehicle.kind, vehicle.name, place) for c, place in item.failed]
        # Labour without the part is no price.
        row = [price if price is not None and price.number else None for price in row]
        costs.append(tuple(price for price in row if price is not None))
        unpriced += [
            part_name(*part) for part, price in zip(item.failed, row, strict=True) if price is None
        ]
        # A lamp that is on has a price only once somebody has found the cause.
        if item.outcome == "fail" and not item.failed:
            unpriced.append(cause_open(item, vehicle, prices))
    outcome = worst(item.outcome for item in items)
    return Told(vehicle, outcome, tuple(items), tuple(costs), tuple(unpriced))
