"""Would it pass its inspection today, item by item, and what would passing cost."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from roadworn.analysis import Analysis, Answers, Estimate, Result, Settings
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Says
from roadworn.trade.cautions import as_caveat, cautions_for
from roadworn.trade.limits import Item, limit_tables
from roadworn.trade.weight import weigh
from roadworn_plugins.inspection.outcomes import (
    LastScan,
    judge_item,
    judge_socket,
    last_scans,
    worst,
)
from roadworn_plugins.inspection.tables import (
    Inspected,
    Told,
    cause_open,
    items_table,
    officials_of,
    officials_table,
    vehicles_table,
)
from roadworn_plugins.shared.grouped import Unit
from roadworn_plugins.shared.prices import Prices
from roadworn_plugins.shared.rule_sets import (
    RULE_SETS,
    Looks,
    RuleSet,
    asked_components,
    load_looks,
    load_rules,
)
from roadworn_plugins.shared.settings import all_said, listed, vehicle_classes
from roadworn_plugins.wear.measured import measured_wear

#: Where there is none, there is nothing for the onboard system to watch.
_ENGINE = "engine.assembly"
_WHEEL = "steering wheel diameter"
_MOST_DOUBTS = 4
#: Outcome of one vehicle -> the sentence that heads it.
_HEADLINES = {
    "fail": "would-fail", "reject": "sent-back", "not known": "not-known", "pass": "would-pass",
}  # fmt: skip
_say = Says(
    "inspection-outlook",
    {
        "nothing": "There is no vehicle here to inspect.",
        "fleet": (
            "By the {rules}, of {vehicles} vehicles {failing} would fail, {sent_back} would be "
            "sent back as not ready, {not_known} are not known for want of a look, {passing} pass."
        ),
        "would-fail": "By the {rules}, {vehicle} would fail on {items}.",
        "sent-back": "By the {rules}, {vehicle} would be sent back as not ready.",
        "not-known": (
            "By the {rules}, nothing failed is recorded on {vehicle}; not known: {items}."
        ),
        "would-pass": "By the {rules}, nothing recorded on {vehicle} would fail.",
        "fleet-had-there-been-one": (
            "This area has no inspection; by the {rules}, of {vehicles} vehicles {failing} would "
            "have failed, {sent_back} would have been sent back as not ready, {not_known} are not "
            "known for want of a look, {passing} pass."
        ),
        "would-fail-had-there-been-one": (
            "This area has no inspection; by the {rules}, {vehicle} would have failed on {items}."
        ),
        "sent-back-had-there-been-one": (
            "This area has no inspection; by the {rules}, {vehicle} would have been sent back as "
            "not ready."
        ),
        "not-known-had-there-been-one": (
            "This area has no inspection; by the {rules}, nothing failed is recorded on {vehicle}; "
            "not known: {items}."
        ),
        "would-pass-had-there-been-one": (
            "This area has no inspection; by the {rules}, nothing recorded on {vehicle} would have "
            "failed."
        ),
        "cost-to-pass": (
            "About {middle:,.0f} {currency} ({low:,.0f} to {high:,.0f}) puts right what has a "
            "price."
        ),
        "no-price": "Without a price: {items}.",
        "seen-on": "What it asks for was last seen sound on {last}.",
        "seen-between": "What it asks for was last seen sound between {first} and {last}.",
        "officials-due": "{expired} official inspections have expired and {soon} run out within "
        "{days} days.",
        "estimate": "cost to pass, {whose}",
        "vehicles": "{number} vehicles",
        "method": "sum of median, tenth and ninetieth percentile of prices on record",
        "unpriced": "no price on record, or the cause is not found yet",
        "no-weight": ("No weight class is on record for {classes}: taken as 10,000 lb or less."),
        "no-weight-of-others": (
            "No weight class is on record for {classes} and others: taken as 10,000 lb or less."
        ),
        "more-weights": "The weight of {vehicles} more vehicles needs a word.",
        "from-memory": "Limits from memory, to be compared with the official text: {items}.",
        "other-currency": ("{replacements} replacements paid in another currency are left out."),
    },
)

ABOUT = """\
Question: Would it pass its inspection, and what would passing cost?

Method: The last look at each thing that the rule set asks for is compared with its limit;
exactly at the limit passes. The latest read-out is judged by lamp, readiness and model year.
Work done since a failed look puts it right, and a later read-out without codes ends what a lamp
said before. Cost is what the same work has cost here; what has no price is named. The latest
official result of each sort stands with the day it runs out; over the fleet a list of those that
have run out or soon will comes first.

Assumptions: What was looked at within the days set is as it was last seen, on the day beside it,
even if a later look-over left it out. Not looked at is not known, never a pass. What a vehicle
does not have (view absent_parts) is not asked of it, and an electric one has nothing for its
socket to be read for.

Reading: "reject" means sent back as not ready, not failed. Check your local rule: every
allowance is a setting, and a shop can name a rule file of its own.

Reference: 40 CFR 85.2207 and 85.2222, 66 FR 18155, EPA420-R-01-015; 49 CFR 393 and 570; the
citation of each item stands beside it.
"""


class InspectionOutlookSettings(Settings):
    """Whose rules hold, and what they allow; an empty setting leaves the rule set as it is."""

    vehicle: Annotated[str | None, Field(description="only this vehicle")] = None
    unit: Annotated[Unit | None, Field(description="mi or km")] = None
    rules: Annotated[
        str,
        Field(description="rule set or path of one; else ROADWORN_RULES, else the federal rules"),
    ] = ""
    inspected: Annotated[
        bool, Field(description="false where there is no inspection: says what would have failed")
    ] = True
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


def run(view: LedgerView, settings: InspectionOutlookSettings) -> Result:
    """Judge every vehicle that is still here, or one."""
    rules = _adjusted(load_rules(settings.rules), settings)
    told = told_of(view, settings)
    wear = measured_wear(view, settings.vehicle, rules=rules)
    prices = Prices.load(view)
    unit = settings.unit or view.usual_unit()
    order = {outcome: i for i, outcome in enumerate(("fail", "reject", "not known", "pass"))}
    told = sorted(told, key=lambda t: (order[t.outcome], t.vehicle.name))
    alone = settings.vehicle is not None
    items = items_table(told, wear, unit, everything=alone)
    return Result(
        headline=_headline(told, rules, settings, prices.currency, view.today),
        tables=(
            *officials_table(told, view.today, None if alone else settings.due_days),
            vehicles_table(told, prices.currency, whole=alone),
            items,
        ),
        estimates=_estimates(told, prices.currency, settings),
        caveats=_caveats(told, rules, prices, settings),
    )


def told_of(view: LedgerView, settings: InspectionOutlookSettings) -> Sequence[Told]:
    """Return every vehicle that is still here, or the one asked for, with all judged about it.

    Kept with the view: whoever asks what the next inspection would fail on gets the same answer.
    """
    return view.kept(("inspection told", settings), lambda: _told_of(view, settings))


def _told_of(view: LedgerView, settings: InspectionOutlookSettings) -> list[Told]:
    rules = _adjusted(load_rules(settings.rules), settings)
    vehicles = _vehicles(view, settings)
    looks = load_looks(view, asked_components(rules.items))
    scans, prices = last_scans(view), Prices.load(view)
    return [_judge(view, v, rules, looks, scans, prices, settings) for v in vehicles]


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
    condition = " AND v.vehicle_id = ?" if settings.vehicle else ""
    rows = view.sql(
        f"""SELECT v.vehicle_id, v.vehicle_class, v.model_year, v.fuel, v.weight_class, v.duty
            FROM vehicles AS v WHERE v.retired_on IS NULL{condition}
            ORDER BY v.vehicle_id""",
        (settings.vehicle,) if settings.vehicle else (),
    ).rows
    absent: dict[str, set[str]] = {}
    for name, component in view.sql(
        "SELECT vehicle_id, component FROM absent_parts WHERE axle = '' ORDER BY ALL"
    ).rows:
        absent.setdefault(name, set()).add(component)
    officials = officials_of(view)
    found = []
    for name, kind, year, fuel, weight, duty in rows:
        said = weigh({"weight_class": weight, "vehicle_class": kind, "duty": duty})
        taken, doubt = ("heavy", "") if kind in heavy else (said.weight, said.doubt)
        without = frozenset(absent.get(name, ()))
        own = officials.get(name, ())
        found.append(Inspected(name, kind, year, fuel, taken, own, doubt, without))
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


def _headline(
    told: Sequence[Told],
    rules: RuleSet,
    settings: InspectionOutlookSettings,
    currency: str,
    today: date,
) -> str:
    if not told:
        return _say("nothing")
    # What would have been is told by sentences of their own, for other languages.
    had = "" if settings.inspected else "-had-there-been-one"
    if settings.vehicle is None:
        number = Counter(one.outcome for one in told)
        states = Counter(
            last.state(today, settings.due_days) for one in told for last in one.vehicle.officials
        )
        due = _say.when(
            states["expired"] + states["runs out"],
            "officials-due",
            expired=states["expired"],
            soon=states["runs out"],
            days=settings.due_days,
        )
        fleet = _say(
            f"fleet{had}",
            rules=rules.title,
            vehicles=len(told),
            failing=number["fail"],
            sent_back=number["reject"],
            not_known=number["not known"],
            passing=number["pass"],
        )
        return Joined(filter(None, (due, fleet)), by=" ")
    one = told[0]
    head = _say(
        f"{_HEADLINES[one.outcome]}{had}",
        rules=rules.title,
        vehicle=one.vehicle.name,
        items=Joined(item.name for item in one.items if item.outcome == one.outcome),
    )
    parts: list[str] = [head]
    if one.outcome == "fail":
        if one.total("middle"):
            totals = {of: one.total(of) for of in ("middle", "low", "high")}
            parts.append(_say("cost-to-pass", currency=currency, **totals))
        if one.unpriced:
            parts.append(_say("no-price", items=Joined(dict.fromkeys(one.unpriced))))
    elif one.outcome == "pass" and one.seen:
        first, last = min(one.seen), max(one.seen)
        parts.append(_say("seen-on" if first == last else "seen-between", first=first, last=last))
    parts += [official.words(today) for official in one.vehicle.officials]
    return Joined(parts, by=" ")


def _estimates(
    told: Sequence[Told], currency: str, settings: InspectionOutlookSettings
) -> tuple[Estimate, ...]:
    failing = [one for one in told if one.outcome == "fail"]
    if not failing or not currency:
        return ()
    totals = {of: sum(one.total(of) or 0.0 for one in failing) for of in ("low", "middle", "high")}
    unpriced = sum(len(one.unpriced) for one in failing)
    whose = settings.vehicle or _say("vehicles", number=len(failing))
    return (
        Estimate(
            name=_say("estimate", whose=whose),
            value=round(totals["middle"], 2),
            unit=currency,
            low=round(totals["low"], 2),
            high=round(totals["high"], 2),
            level=0.8,
            method=_say("method"),
            left_out=unpriced,
            why_left_out=_say.when(unpriced, "unpriced"),
        ),
    )


def _caveats(
    told: Sequence[Told], rules: RuleSet, prices: Prices, settings: InspectionOutlookSettings
) -> tuple[str, ...]:
    kinds = {o.vehicle.kind for o in told if o.vehicle.weight is None and not o.vehicle.doubt}
    unknown = "no-weight-of-others" if len(kinds) > _MOST_DOUBTS else "no-weight"
    doubts = [(one.vehicle.name, one.vehicle.doubt) for one in told if one.vehicle.doubt]
    unsure = sorted({item.key for item in rules.items if item.sure == "check" and item.mark == "M"})
    failed = [c for one in told for item in one.items for c, _place in item.failed]
    return all_said(
        rules.note,
        _say.when(kinds, unknown, classes=Joined(sorted(kinds)[:_MOST_DOUBTS])),
        *(Joined(doubt, by=": ") for doubt in doubts[:_MOST_DOUBTS]),
        _say.when(doubts[_MOST_DOUBTS:], "more-weights", vehicles=len(doubts) - _MOST_DOUBTS),
        _say.when(unsure, "from-memory", items=Joined(unsure)),
        _say.when(prices.other_currencies, "other-currency", replacements=prices.other_currencies),
        *prices.caveats(failed),
        *(as_caveat(text) for text in cautions_for(failed if settings.vehicle is not None else ())),
    )


INSPECTION_OUTLOOK = Analysis(
    name="inspection-outlook",
    title="Outlook for the inspection",
    question="Would it pass its inspection, and what would passing cost?",
    run=run,
    settings=InspectionOutlookSettings,
    about=ABOUT,
    answers=Answers.PASSES,
    files=RULE_SETS.as_files("rules", "inspection rules"),
)
