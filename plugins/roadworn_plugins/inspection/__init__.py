"""Would it pass its inspection today, item by item, and what would passing cost."""

from collections import Counter
from collections.abc import Sequence
from datetime import date

from roadworn.analysis import Analysis, Answers, Estimate, Result
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Says, some_of
from roadworn.trade.cautions import as_caveat, cautions_for
from roadworn_plugins.inspection.judged import (
    InspectionOutlookSettings,
    rules_of,
    told_of,
)
from roadworn_plugins.inspection.tables import (
    Told,
    items_table,
    officials_table,
    vehicles_table,
)
from roadworn_plugins.shared.prices import Prices
from roadworn_plugins.shared.rule_sets import RULE_SETS, RuleSet
from roadworn_plugins.shared.settings import all_said
from roadworn_plugins.wear.measured import measured_wear

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
            "By the {rules}, of {vehicles} {vehicles:vehicle|vehicles} asked for it {failing} "
            "would fail, "
            "{sent_back} would be sent back as not ready, {not_known} {not_known:is|are} not "
            "known for want of a look, {passing} {passing:passes|pass}."
        ),
        "would-fail": "By the {rules}, {vehicle} would fail on {items}.",
        "sent-back": "By the {rules}, {vehicle} would be sent back as not ready.",
        "not-known": (
            "By the {rules}, nothing failed is recorded on {vehicle}; not known: {items}."
        ),
        "would-pass": "By the {rules}, nothing recorded on {vehicle} would fail.",
        "fleet-had-there-been-one": (
            "No inspection is asked for here; by the {rules}, of {vehicles} "
            "{vehicles:vehicle|vehicles} {failing} would have failed, {sent_back} would have been "
            "sent back as not ready, {not_known} {not_known:is|are} not known for want of a look, "
            "{passing} {passing:passes|pass}."
        ),
        "would-fail-had-there-been-one": (
            "No inspection is asked for here; by the {rules}, {vehicle} would have failed on "
            "{items}."
        ),
        "sent-back-had-there-been-one": (
            "No inspection is asked for here; by the {rules}, {vehicle} would have been sent back "
            "as not ready."
        ),
        "not-known-had-there-been-one": (
            "No inspection is asked for here; by the {rules}, nothing failed is recorded on "
            "{vehicle}; not known: {items}."
        ),
        "would-pass-had-there-been-one": (
            "No inspection is asked for here; by the {rules}, nothing recorded on {vehicle} would "
            "have failed."
        ),
        "cost-to-pass": (
            "About {middle:,.0f} {currency} ({low:,.0f} to {high:,.0f}) for what is known to be "
            "needed."
        ),
        "cost-to-pass-one": "About {middle:,.0f} {currency} for what is known to be needed.",
        "no-price": "Without a price: {items}.",
        "seen-on": "What it asks for was last seen sound on {last}.",
        "seen-between": "What it asks for was last seen sound between {first} and {last}.",
        "officials-due": "{expired} official {expired:inspection|inspections} {expired:has|have} "
        "expired and {soon} {soon:runs|run} out within {days} {days:day|days}.",
        "estimate": "cost to pass, {whose}",
        "vehicles": "{number} {number:vehicle|vehicles}",
        "method": "sum of median, tenth and ninetieth percentile of prices on record",
        "unpriced": "no price on record, or the cause is not found yet",
        "no-weight": ("No weight class is on record for {classes}: taken as 10,000 lb or less."),
        "no-weight-of-others": (
            "No weight class is on record for {classes} and others: taken as 10,000 lb or less."
        ),
        "more-weights": "The weight of {vehicles} more {vehicles:vehicle|vehicles} needs a word.",
        "from-memory": "Limits from memory, to be compared with the official text: {items}.",
        "not-asked": "{n} {n:vehicle|vehicles} {n:is|are} asked for no inspection by "
        "{n:its|their} profile and {n:is|are} left out.",
        "no-such-rules": "The rule set {name} of {vehicles} cannot be read; the {rules} stand in. "
        "{why}",
        "other-currency": (
            "{replacements} {replacements:replacement|replacements} paid in "
            "another currency {replacements:is|are} left out."
        ),
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


def run(view: LedgerView, settings: InspectionOutlookSettings) -> Result:
    """Judge every vehicle that is still here, or one."""
    every = told_of(view, settings)
    alone = settings.vehicle is not None
    told = list(every) if alone else [one for one in every if one.vehicle.asked]
    rules = told[0].vehicle.rules if alone and told else rules_of(settings, "")[0]
    wear = measured_wear(view, settings.vehicle, rules=rules)
    prices = Prices.load(view)
    unit = settings.unit or view.usual_unit()
    order = {outcome: i for i, outcome in enumerate(("fail", "reject", "not known", "pass"))}
    told.sort(key=lambda t: (order[t.outcome], t.vehicle.name))
    items = items_table(told, wear, unit, prices.currency, everything=alone)
    return Result(
        headline=_headline(told, rules, settings, prices.currency, view.today),
        tables=(
            *officials_table(told, view.today, None if alone else settings.due_days),
            vehicles_table(told, prices.currency, whole=alone),
            items,
        ),
        estimates=_estimates(told, prices.currency, settings),
        caveats=(
            *_caveats(told, rules, prices, settings),
            *_about_profiles(every, rules, settings),
        ),
    )


def _about_profiles(
    told: Sequence[Told], rules: RuleSet, settings: InspectionOutlookSettings
) -> tuple[str, ...]:
    """Return what is to be said of where the vehicles are inspected."""
    unread: dict[tuple[str, str], list[str]] = {}
    for one in told:
        if one.vehicle.unread:
            unread.setdefault((one.vehicle.inspected_by, one.vehicle.unread), []).append(
                one.vehicle.name
            )
    left_out = 0 if settings.vehicle else sum(not one.vehicle.asked for one in told)
    return all_said(
        _say.some(left_out, "not-asked"),
        *(
            _say(
                "no-such-rules",
                name=name,
                vehicles=some_of(names, _MOST_DOUBTS),
                rules=rules.title,
                why=why,
            )
            for (name, why), names in unread.items()
        ),
    )


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
    asked = settings.inspected is not False if settings.vehicle is None else told[0].vehicle.asked
    had = "" if asked else "-had-there-been-one"
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
            alike = len({f"{total:,.0f}" for total in totals.values()}) == 1
            code = "cost-to-pass-one" if alike else "cost-to-pass"
            parts.append(_say(code, currency=currency, **totals))
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
