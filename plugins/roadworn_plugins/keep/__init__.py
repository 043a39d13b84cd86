"""Keep it, fix it, or let it go: what each costs a month, how sure that is, what would turn it."""

import numpy as np

from roadworn.analysis import (
    Analysis,
    Answers,
    Column,
    Estimate,
    Holds,
    Result,
    Table,
    Tells,
)
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue
from roadworn.model.messages import Joined, Says, Sentence
from roadworn_plugins.ahead import too_few
from roadworn_plugins.ahead.due_now import DueItem, State, due_now
from roadworn_plugins.inspection import INSPECTION_OUTLOOK
from roadworn_plugins.keep.options import (
    KeepOrSellSettings,
    Option,
    Situation,
    Valuations,
    Way,
    Worth,
    best_kept,
    gap_of,
    keeping,
    letting_go,
    repair_that_flips,
    running_that_flips,
    usual_repairs,
    value_where_it_flips,
    ways_of,
)
from roadworn_plugins.shared.costs_ahead import Band, chance_below, money
from roadworn_plugins.shared.grouped import Ints
from roadworn_plugins.shared.parts_ahead import PartsAhead, load_parts
from roadworn_plugins.shared.projected import LEVEL, Projection, project
from roadworn_plugins.shared.settings import all_said

ABOUT = """\
Question: Keep it as it is, fix what is open and keep it, or let it go?

Method: Each way of going on is turned into a level amount a month over the horizon: money tied
up or paid now, repairs to expect (the projection of `next-repairs`), value left at the end, at
what money is worth a year. Keeping counts what the vehicle would fetch today as tied up. The
chance that keeping is cheaper is that of the repairs staying below the amount at which the two
cost the same. Without a vehicle all are ranked within their class by what their upkeep of the
next 12 months (failures, services, what is due now) costs above the middle of the class for the
same distance. A value that nobody knows is not made up: then the value is told at which it turns.

Assumptions: Fuel, insurance and upkeep by plan are taken to be the same either way. The price
and the repairs of the vehicle that takes its place are as the user states them.

Reading: "keep, by 60 a month, 8 in 10" means that in 8 of 10 such futures keeping costs less.
Safety items come first whatever the sums say.

Reference: equivalent monthly cost, any text of engineering economics. Rules of thumb such as
"a repair of more than half the value" are not evidence and are not used.
"""


_BEST = "{way}: about {monthly:,.0f} {currency} a month"
_LEAD = ", {lead:,.0f} less than to {second}"
_ODDS = "; cheaper than the other way in {odds:.0f} of 10 such futures"
_RUNNING = "It turns if repairs over the {months} months come to"
_TOTAL = "{total:,.0f} ({expected:,.0f} are expected)."
_USED = (
    "{number:.1f} failures of safety-critical parts are to be expected in {months} months; look "
    "it over at short intervals, whatever the sums say."
)
_say = Says(
    "keep-or-sell",
    {
        "no-advice": "No advice by money: {words}.",
        "record": "Record what is replaced, with reason, reading and price; or import old "
        "invoices.",
        "a-month": "{currency} a month",
        "safety": "Safety first: {parts}; repair before driving.",
        "safety-open": "a safety item is open: not offered until it is repaired",
        "runs-not": "it does not run as it stands",
        "another-way": "Letting it go is cheaper if another way of getting there costs less than "
        "{monthly:,.0f} a month all in: a price of a replacement was not given.",
        "turns-value-more": "It turns if the vehicle would fetch more than {value:,.0f} as it is.",
        "turns-value-less": "It turns if the vehicle would fetch less than {value:,.0f} as it is.",
        "turns-repair": "It turns if one more repair of over {cost:,.0f} is needed now.",
        "turns-fix": "It turns if the open work can be had for less than {cost:,.0f}.",
        "turns-running-over": f"{_RUNNING} over {_TOTAL}",
        "turns-running-under": f"{_RUNNING} under {_TOTAL}",
        "none": "No way of going on can be offered: give the price of a replacement, "
        "replacement-price.",
        "repairs": "repairs within {months} months",
        "value-unknown": "No value of this vehicle is known, so no advice by money. Repairs of "
        "{expected:,.0f} {currency} ({low:,.0f} to {high:,.0f}) are to be expected in {months} "
        "months. State value, or record a valuation.",
        "value-turns": "No value of this vehicle is known, so no advice by money: keeping it costs "
        "less if it would fetch less than {value:,.0f} as it is, letting it go if more. "
        "State value, or record a valuation.",
        "value-gone": "No value of this vehicle is known; letting it go costs less whatever it "
        "would fetch.",
        "value-kept": "No value of this vehicle is known; keeping it costs less whatever it would "
        "fetch.",
        "alone": "To {way} costs about {monthly:,.0f} {currency} a month ({low:,.0f} to "
        "{high:,.0f}). Letting it go is not compared: give the price of a replacement, "
        "replacement-price.",
        "best": f"{_BEST}.",
        "best-lead": f"{_BEST}{_LEAD}.",
        "best-odds": f"{_BEST}{_ODDS}.",
        "best-lead-odds": f"{_BEST}{_LEAD}{_ODDS}.",
        "worth": "The vehicle: {words}.",
        "told-of-safety": "Whoever takes it over is told of the open safety item, and it is towed, "
        "not driven.",
        "unpriced": "No price is known for {parts}: the fix costs more.",
        "other-repairs": "The other vehicle is taken to need {usual:,.0f} of repairs a year, as "
        "vehicles of this class have here; a younger one needs less: state replacement-repairs.",
        "used-long": f"Used on long trips: {_USED}",
        "used-passengers": f"Used with passengers: {_USED}",
        "rules": "Check your local rule: what passing takes is by the default rule set.",
        "unknown-age": "{n} of {parts} parts are of unknown age.",
        "not-in-it": "Fuel, insurance and upkeep by plan are not in these sums.",
    },
)


def run(view: LedgerView, settings: KeepOrSellSettings) -> Result:
    """Compare the ways of going on with one vehicle, or rank all within their class."""
    if settings.vehicle is None:
        # Of no use for one vehicle, so it is not waited for there.
        from roadworn_plugins.keep.fleet import retire_list

        return retire_list(view, settings)
    parts = load_parts(view, settings.vehicle)
    due = due_now(view, parts.prices, settings.vehicle)
    open_ = [item for item in due if item.failed or item.state in {State.DECLINED, State.DEFERRED}]
    ahead = np.array(
        [i for i in range(parts.size) if not _is_open(parts, i, open_)], dtype=np.int64
    )
    unsafe = Joined([item.name for item in due if item.state is State.SAFETY][:3])
    first = _say.when(unsafe, "safety", parts=unsafe)
    few = too_few(parts, settings.vehicle, settings.least_parts)
    if few:
        no_sum = Joined((first, _say("no-advice", words=few)), " ")
        return Result(no_sum, caveats=(_say("record"),))
    found = project(parts, settings.months)
    pace = float(parts.paces.per_month[parts.car[0]]) if parts.size else 0.0
    kind = parts.vehicle_class[0] if parts.size else ""
    worth = Valuations.load(view).worth(
        settings.vehicle, kind, settings.value, parts.prices.currency, pace
    )
    usual = usual_repairs(view, kind, parts.prices.currency)
    situation = _situation(
        settings,
        worth,
        open_,
        money(parts, found, ahead),
        _to_pass(view, settings) if settings.must_pass else 0.0,
        usual,
    )
    if worth.now is None:
        caveats = _caveats(settings, worth, open_, parts, found, ahead, usual)
        return _without_value(first, situation, worth, parts.prices.currency, caveats)
    options = ways_of(situation, _why_not_as_it_is(open_, settings), to_fix=bool(open_))
    best = min((o for o in options if o.offered), key=lambda o: o.monthly, default=None)
    gap = gap_of(options)
    sure = None
    if gap is not None:
        sure = chance_below(parts, found, ahead, running_that_flips(situation, gap))
    turns = tuple((turn,) for turn in _turns(situation, options, gap))
    currency = worth.currency or parts.prices.currency
    return Result(
        headline=Joined((first, _advice(options, best, settings, currency, sure)), " "),
        tables=(
            _options_table(options, currency, worth, open_),
            Table(
                "turns",
                "What would change the answer",
                (Column("turn", "turn"),),
                turns,
                holds=Holds.TURNS,
            ),
        ),
        estimates=tuple(
            Estimate(
                name=option.way.words,
                value=option.monthly,
                unit=_say("a-month", currency=currency),
                low=option.low,
                high=option.high,
                level=LEVEL,
                method=f"level monthly cost over {settings.months} months",
            )
            for option in options
        ),
        caveats=_caveats(settings, worth, open_, parts, found, ahead, usual),
    )


def _without_value(
    first: str, s: Situation, worth: Worth, currency: str, caveats: tuple[str, ...]
) -> Result:
    """Return at what value the choice turns: nothing stands in for a value nobody knows."""
    low, expected, high = s.running
    repairs = Estimate(
        name=_say("repairs", months=s.months),
        value=expected,
        unit=currency,
        low=low,
        high=high,
        level=LEVEL,
        method="renewal of every fitted part, prices and rates uncertain",
        evidence=worth.events,
    )
    told = {"expected": expected, "low": low, "high": high, "months": s.months}
    if s.other_price is None:
        said = _say("value-unknown", currency=currency, **told)
        return Result(Joined((first, said), " "), estimates=(repairs,), caveats=caveats)
    gap = letting_go(s, fixed=False) - keeping(s, fixed=s.fix[1] > 0.0)[1]
    value = value_where_it_flips(s, gap)
    word = "value-gone" if value <= 0.0 else "value-turns" if np.isfinite(value) else "value-kept"
    said = _say(word, value=max(value, 0.0))
    turns = Table(
        "turns",
        "What would change the answer",
        (Column("turn", "turn"),),
        ((said,),),
        holds=Holds.TURNS,
    )
    return Result(Joined((first, said), " "), (turns,), estimates=(repairs,), caveats=caveats)


def _is_open(parts: PartsAhead, i: int, open_: list[DueItem]) -> bool:
    """Whether a part is among the open failed items: its cost is in the fix, not ahead."""
    return any(
        item.component == parts.component[i] and item.position in {parts.position[i], ""}
        for item in open_
        if item.failed
    )


def _to_pass(view: LedgerView, settings: KeepOrSellSettings) -> float:
    """Return what passing would cost, by the default rule set; its words say whose rules."""
    chosen = INSPECTION_OUTLOOK.settings.model_validate({"vehicle": settings.vehicle})
    result = INSPECTION_OUTLOOK.run(view, chosen)
    values = [e.value for e in result.estimates if e.value is not None]
    return float(values[0]) if values else 0.0


def _situation(
    settings: KeepOrSellSettings,
    worth: Worth,
    open_: list[DueItem],
    band: Band,
    to_pass: float,
    usual: float,
) -> Situation:
    priced = [item.price for item in open_ if item.price is not None]
    value = worth.now or 0.0
    months = settings.months
    return Situation(
        months=months,
        yearly_rate=settings.yearly_rate,
        value=value,
        value_fixed=value if settings.value_fixed is None else settings.value_fixed,
        value_then=(1.0 - worth.yearly_loss) ** (months / 12.0),
        fix=(
            sum(p.low for p in priced),
            sum(p.middle for p in priced),
            sum(p.high for p in priced),
        ),
        running=(band.low, band.expected, band.high),
        to_pass=to_pass,
        other_price=settings.replacement_price,
        other_then=(1.0 - settings.replacement_loss) ** (months / 12.0),
        other_running=(
            usual if settings.replacement_repairs is None else settings.replacement_repairs
        ),
    )


def _why_not_as_it_is(open_: list[DueItem], settings: KeepOrSellSettings) -> str:
    """Say why keeping it as it is may not be chosen, an empty text where it may."""
    if any(item.state is State.SAFETY for item in open_):
        return _say("safety-open")
    return _say.when(not settings.runs, "runs-not")


def _turns(s: Situation, options: list[Option], gap: float | None) -> list[Sentence]:
    """Return what would change the answer."""
    best = best_kept(options)
    if best is None:
        return []
    if gap is None:
        return [_say("another-way", monthly=best.monthly)]
    turns = []
    value, more_now = value_where_it_flips(s, gap), repair_that_flips(s, gap)
    if value > 0 and np.isfinite(value):
        turns.append(_say("turns-value-more" if gap > 0 else "turns-value-less", value=value))
    if gap > 0:
        turns.append(_say("turns-repair", cost=more_now))
    elif s.fix[1] > 0 and best.way is Way.FIX and -more_now < s.fix[1]:
        turns.append(_say("turns-fix", cost=s.fix[1] + more_now))
    total = running_that_flips(s, gap)
    if total > 0:
        word = "turns-running-over" if gap > 0 else "turns-running-under"
        turns.append(_say(word, months=s.months, total=total, expected=s.running[1]))
    return turns


def _advice(
    options: list[Option],
    best: Option | None,
    settings: KeepOrSellSettings,
    currency: str,
    sure: float | None,
) -> Sentence:
    if best is None:
        return _say("none")
    told: dict[str, object] = {"monthly": best.monthly, "currency": currency}
    if settings.replacement_price is None:
        return _say("alone", way=best.way.words, low=best.low, high=best.high, **told)
    word, second = "best", None
    others = [o for o in options if o.offered and o is not best]
    if others:
        second = min(others, key=lambda o: o.monthly)
        word += "-lead"
        told |= {"lead": second.monthly - best.monthly, "second": second.way.words}
    if sure is not None:
        word += "-odds"
        told["odds"] = (sure if best.way.keeps else 1.0 - sure) * 10
    return _say(word, way=best.way.first_words, **told)


def _options_table(
    options: list[Option], currency: str, worth: Worth, open_: list[DueItem]
) -> Table:
    events = tuple(
        dict.fromkeys((*worth.events[-3:], *(e for item in open_ for e in item.events if e)))
    )
    return Table(
        name="options",
        title="The ways of going on, cheapest offered first",
        columns=(
            Column("option", "way", tells=Tells.NAME, brief=1),
            Column("monthly", "a month", "money", currency, tells=Tells.VALUE, brief=2),
            Column("low", "low", "money", tells=Tells.LOW),
            Column("high", "high", "money", tells=Tells.HIGH),
            Column("at_once", "now", "money", brief=3),
            Column("offered", "offered", brief=4),
            Column("why_not", "why not"),
        ),
        rows=tuple(
            (
                *(o.way.words, o.monthly, o.low, o.high, o.at_once),
                *("yes" if o.offered else "no", o.why_not),
            )
            for o in sorted(options, key=lambda o: (not o.offered, o.monthly))
        ),
        evidence=tuple(events for _option in options),
        holds=Holds.WAYS,
    )


def _caveats(
    settings: KeepOrSellSettings,
    worth: Worth,
    open_: list[DueItem],
    parts: PartsAhead,
    found: Projection,
    ahead: Ints,
    usual: float,
) -> tuple[str, ...]:
    unpriced = [item.name for item in open_ if item.price is None]
    usual_taken = settings.replacement_price is not None and settings.replacement_repairs is None
    critical = [
        i
        for i in ahead
        if (known := catalogue().find(parts.component[i])) is not None and known.safety_critical
    ]
    return all_said(
        _say("worth", words=worth.words),
        _say.when(any(item.state is State.SAFETY for item in open_), "told-of-safety"),
        _say.when(unpriced, "unpriced", parts=Joined(unpriced[:4])),
        _say.when(usual_taken, "other-repairs", usual=usual),
        _say.when(
            settings.duty in {"long", "passengers"} and critical,
            "used-passengers" if settings.duty == "passengers" else "used-long",
            number=float(np.sum(found.number[critical])),
            months=settings.months,
        ),
        _say.when(settings.must_pass, "rules"),
        _say.some(int(np.sum(~parts.known)), "unknown-age", parts=parts.size),
        _say("not-in-it"),
    )


KEEP_OR_SELL = Analysis(
    name="keep-or-sell",
    title="Keep, fix or let go",
    question="Keep it as it is, fix what is open and keep it, or let it go?",
    run=run,
    settings=KeepOrSellSettings,
    about=ABOUT,
    answers=Answers.KEEP_OR_SELL,
)
