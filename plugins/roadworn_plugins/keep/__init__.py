"""Keep it, fix it, or let it go: what wants doing, what each way on costs, what would turn it."""

from collections.abc import Sequence

import numpy as np

from roadworn.analysis import Analysis, Answers, Estimate, Result
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue
from roadworn.model.messages import Joined, Says, Sentence, some_of
from roadworn_plugins.ahead import too_few
from roadworn_plugins.keep.case import After, Case, Cases
from roadworn_plugins.keep.jobs import Stage, hours_standing, labour_once, one_needed
from roadworn_plugins.keep.options import (
    KeepOrSellSettings,
    Option,
    Way,
    cheapest_kept,
    cheapest_situation,
    gap_of,
    repair_that_flips,
    running_that_flips,
    value_that_turns,
    value_where_it_flips,
)
from roadworn_plugins.keep.tables import plan_table, sums_table, turns_table, ways_table
from roadworn_plugins.keep.ways import ways_of
from roadworn_plugins.shared.costs_ahead import chance_below
from roadworn_plugins.shared.projected import LEVEL
from roadworn_plugins.shared.settings import all_said

ABOUT = """\
Question: What wants doing, and is it best to do the least, to fix it, or to let it go?

Method: Every open matter is one job: must (somebody can get hurt), should (failed, asked for by
a code or a complaint, brings something else down, stops the vehicle, fails the next inspection,
wears out within six months, overdue by the shop's own record), or can wait. Prices are the
shop's own, labour that two jobs share told once; a cause that a code or a complaint points to
counts by its chance. Each way on is turned into a level amount a month over the horizon: money
tied up or paid now, repairs to expect afterwards (the projection of `next-repairs` with the parts
done now as new), value left at the end, at what money is worth a year. Keeping counts what the
vehicle would fetch today as tied up. Standing still is the chance that one part whose failure
stops a vehicle fails within the horizon. Between ways of keeping it the advice adds what one
standing still costs, in hours of this shop by what the vehicle is for. The chance that keeping
is cheaper is that of the repairs staying below the amount at which the two cost the same. Without
a vehicle all are ranked within their class by what their upkeep of the next 12 months (failures,
services, what is due now) costs above the middle of the class for the same distance. A value that
nobody knows is not made up: then the value is told at which it turns.

Assumptions: Fuel, insurance and upkeep by plan are taken to be the same either way. The price
and the repairs of the vehicle that takes its place are as the user states them. What stops a
vehicle and what standing still costs: common practice, no source.

Reading: "good for two years, 8 in 10" means that keeping costs less 8 times in 10.
Safety items come first whatever the sums say.

Reference: equivalent monthly cost, any text of engineering economics. Rules of thumb such as
"a repair of more than half the value" are not evidence and are not used.
"""


_BEST = "{way}: about {monthly:,.0f} {currency} a month all in"
_LEAD = ", {lead:,.0f} less than “{second}”"
_RISK = ", {lead:,.0f} more than “{second}”, and breaks down with {risk:.0%} instead of {other:.0%}"
_ODDS = "; cheaper than the other way {odds:.0f} {odds:time|times} in 10"
_RUNNING = "It turns if repairs over the {months} {months:month|months} come to"
_TOTAL = "{total:,.0f} ({expected:,.0f} are expected)."
_USED = (
    "{number:.1f} failures of safety-critical parts are to be expected in {months} "
    "{months:month|months}; look it over at short intervals, whatever the sums say."
)
_say = Says(
    "keep-or-sell",
    {
        "no-advice": "No advice by money: {words}.",
        "record": "Record what is replaced, with reason, reading and price; or import old "
        "invoices.",
        "a-month": "{currency} a month",
        "safety": "Safety first: {parts}; repair before driving.",
        "another-way": "Keep, unless another vehicle costs under {monthly:,.0f} a month.",
        "turns-value-more": "It turns if the vehicle would fetch more than {value:,.0f} as it is.",
        "turns-value-less": "It turns if the vehicle would fetch less than {value:,.0f} as it is.",
        "turns-repair": "It turns if one more repair of over {cost:,.0f} is needed now.",
        "turns-fix": "It turns if the work can be had for less than {cost:,.0f}.",
        "turns-running-over": f"{_RUNNING} over {_TOTAL}",
        "turns-running-under": f"{_RUNNING} under {_TOTAL}",
        "turns-cause": "If the check says {part}, “{way}” costs {whole:,.0f} now; the "
        "{expected:,.0f} counts each possible cause by its chance.",
        "turns-standing": "“{wide}” is the better one if one breakdown costs you more than "
        "{cost:,.0f}, towing and lost time together: it costs {more:,.0f} more over {months} "
        "{months:month|months} and spares {fewer:.2f} breakdowns.",
        "sold": "To be sold: {way}; {note}.",
        "sold-open": "To be sold: {way}; {note}; tell whoever takes it over of {parts}.",
        "facts-none": "What {vehicle} is for and where it is inspected is on no record: daily use "
        "and the federal rules stand in. State it once: roadworn record profile {vehicle} --use "
        "errands --inspected-by none",
        "facts-use": "What {vehicle} is for is on no record: daily use stands in. State it once: "
        "roadworn record profile {vehicle} --use errands",
        "facts-inspected": "Where {vehicle} is inspected is on no record: the federal rules stand "
        "in. State it once: roadworn record profile {vehicle} --inspected-by none",
        "no-inspection": "No inspection is asked for here: nothing is judged by one.",
        "none": "No way of going on can be offered.",
        "repairs": "repairs within {months} {months:month|months}",
        "value-unknown": "No value of this vehicle is known, so no advice by money. Repairs of "
        "{expected:,.0f} {currency} ({low:,.0f} to {high:,.0f}) are to be "
        "expected in {months} {months:month|months}. State value, or record a "
        "valuation.",
        "value-turns": "No value of this vehicle is known, so no advice by money: keeping it costs "
        "less if it would fetch less than {value:,.0f} as it is, letting it go if more. "
        "State value, or record a valuation.",
        "value-gone": "No value of this vehicle is known; letting it go costs less whatever it "
        "would fetch.",
        "value-kept": "No value of this vehicle is known; keeping it costs less whatever it would "
        "fetch.",
        "alone": f"{_BEST} ({{low:,.0f}} to {{high:,.0f}}).",
        "alone-risk": f"{_BEST} ({{low:,.0f}} to {{high:,.0f}}){_RISK}.",
        "best": f"{_BEST}.",
        "best-lead": f"{_BEST}{_LEAD}.",
        "best-risk": f"{_BEST}{_RISK}.",
        "best-odds": f"{_BEST}{_ODDS}.",
        "best-lead-odds": f"{_BEST}{_LEAD}{_ODDS}.",
        "best-risk-odds": f"{_BEST}{_RISK}{_ODDS}.",
        "worth": "The vehicle: {words}.",
        "told-of-safety": "Whoever takes it over is told of the open safety item, and it is towed, "
        "not driven.",
        "unpriced": "No price is known for {parts}: the work costs more.",
        "other-repairs": "The other vehicle is taken to need {usual:,.0f} of repairs a year, as "
        "vehicles of this class have here; a younger one needs less: state replacement-repairs.",
        "used-long": f"Used on long trips: {_USED}",
        "used-passengers": f"Used with passengers: {_USED}",
        "rules": "Check your local rule: what passing takes is by the {title}.",
        "unknown-age": "{n} of {parts} {parts:part|parts} {n:is|are} of unknown age.",
        "not-in-it": "Fuel, insurance and upkeep by plan are not in these sums.",
    },
)
_NAMED = 6


def run(view: LedgerView, settings: KeepOrSellSettings) -> Result:
    """Compare the ways of going on with one vehicle, or rank all within their class."""
    if settings.vehicle is None:
        # Of no use for one vehicle, so it is not waited for there.
        from roadworn_plugins.keep.fleet import retire_list

        return retire_list(view, settings)
    case = Cases.load(view, settings, settings.vehicle).of(settings.vehicle)
    parts, currency = case.parts, case.currency
    unsafe = Joined([job.name for job in case.jobs if job.hurts][:3])
    first = _say.when(unsafe, "safety", parts=unsafe)
    shown = labour_once(case.jobs, case.rate)
    tables = [plan_table(shown, currency), sums_table(shown, currency)] if shown else []
    few = too_few(parts, case.vehicle, settings.least_parts)
    if few:
        no_sum = Joined((first, _say("no-advice", words=few)), " ")
        return Result(no_sum, tuple(tables), caveats=(_say("record"),))
    options, afters = ways_of(case)
    tables.append(ways_table(options, currency, _events(case), settings.months))
    found = afters[0]
    keeps = [o for o in options if o.way.keeps]
    if case.worth.now is None:
        said, turns = _without_value(case, options)
        low, expected, high = keeps[0].situation.running
        repairs = Estimate(
            name=_say("repairs", months=settings.months),
            value=expected,
            unit=currency,
            low=low,
            high=high,
            level=LEVEL,
            method="renewal of every fitted part, prices and rates uncertain",
            evidence=case.worth.events,
        )
        tables += [turns_table(turns)] if turns else []
        headline = Joined((first, said), " ")
        return Result(headline, tuple(tables), (repairs,), caveats=_caveats(case, found))
    cheapest, gap = cheapest_kept(options), gap_of(options)
    sure = None
    if gap is not None and cheapest is not None:
        after = afters[keeps.index(cheapest)]
        flips = running_that_flips(cheapest.situation, gap)
        sure = chance_below(after.parts, after.found, after.ahead, flips)
    best = _advised(case, options)
    tables.append(turns_table(_turns(case, options, best, gap)))
    return Result(
        headline=Joined((first, _advice(case, options, best, sure)), " "),
        tables=tuple(tables),
        estimates=tuple(
            Estimate(
                name=option.way.words(settings.months),
                value=option.monthly,
                unit=_say("a-month", currency=currency),
                low=option.low,
                high=option.high,
                level=LEVEL,
                method=f"level monthly cost over {settings.months} months",
            )
            for option in options
            if option.monthly is not None
        ),
        caveats=_caveats(case, found),
    )


def _advised(case: Case, options: Sequence[Option]) -> Option | None:
    """Return the way to take: the cheapest, standing still counted among those that keep it."""
    kept = [o for o in options if o.way.keeps and o.offered and o.monthly is not None]
    best = min(kept, key=lambda o: _weighed(case, o), default=None)
    gone = [o for o in options if not o.way.keeps and o.monthly is not None]
    cheapest = cheapest_kept(options)
    other = min(gone, key=lambda o: o.monthly or 0.0, default=None)
    if case.facts.use == "to_be_sold":
        # Whoever sells asks how, not whether.
        return next((o for o in options if o.way is Way.FIX_AND_LET_GO), options[0])
    if other is None:
        return best
    stays = cheapest is not None and (cheapest.monthly or 0.0) <= (other.monthly or 0.0)
    return best if stays else other


def _weighed(case: Case, option: Option) -> float:
    """Return the cost a month with what standing still is taken to cost."""
    one = hours_standing(case.facts.use) * (case.rate or 0.0)
    return (option.monthly or 0.0) + one * _times(option) / case.settings.months


def _times(option: Option) -> float:
    """Return how often a vehicle stands still, on the mean."""
    return float(-np.log1p(-min(option.risk or 0.0, 1.0 - 1e-9)))


def _without_value(case: Case, options: Sequence[Option]) -> tuple[Sentence, list[str]]:
    """Return at what value the choice turns: nothing stands in for a value nobody knows."""
    if case.settings.replacement_price is None:
        s = cheapest_situation(options)
        low, expected, high = s.running
        told = {"expected": expected, "low": low, "high": high, "months": s.months}
        return _say("value-unknown", currency=case.currency, **told), []
    value = value_that_turns(options)
    word = "value-gone" if value <= 0.0 else "value-turns" if np.isfinite(value) else "value-kept"
    said = _say(word, value=max(value, 0.0))
    return said, [said]


def _turns(
    case: Case, options: Sequence[Option], best: Option | None, gap: float | None
) -> list[Sentence]:
    """Return what would change the answer."""
    cheapest = cheapest_kept(options)
    if cheapest is None or cheapest.monthly is None:
        return []
    turns = []
    s = cheapest.situation
    if gap is None:
        turns.append(_say("another-way", monthly=cheapest.monthly))
    else:
        value, more_now = value_where_it_flips(s, gap), repair_that_flips(s, gap)
        if value > 0 and np.isfinite(value):
            word = "turns-value-more" if gap > 0 else "turns-value-less"
            turns.append(_say(word, value=value))
        if gap > 0:
            turns.append(_say("turns-repair", cost=more_now))
        elif s.fix[1] > 0 and -more_now < s.fix[1]:
            turns.append(_say("turns-fix", cost=s.fix[1] + more_now))
        total = running_that_flips(s, gap)
        if total > 0:
            word = "turns-running-over" if gap > 0 else "turns-running-under"
            turns.append(_say(word, months=s.months, total=total, expected=s.running[1]))
    return [*turns, *_standing_turns(case, options, best), *_cause_turns(case, options)]


def _standing_turns(case: Case, options: Sequence[Option], best: Option | None) -> list[Sentence]:
    """Return from what cost of one standing still on a wider way is the better one."""
    if best is None or not best.way.keeps or best.monthly is None:
        return []
    found = []
    for other in options:
        if not other.way.keeps or not other.offered or other is best or other.monthly is None:
            continue
        spared = _times(best) - _times(other)
        more = (other.monthly - best.monthly) * case.settings.months
        if spared > 0.01 and more > 0.0:
            wide = other.way.words(case.settings.months)
            told = {"more": more, "fewer": spared, "months": case.settings.months}
            found.append(_say("turns-standing", wide=wide, cost=more / spared, **told))
    return found[-1:]


def _cause_turns(case: Case, options: Sequence[Option]) -> list[Sentence]:
    """Return what a way costs if the check finds the dearest cause of what is open."""
    unsure = [job for job in case.jobs if job.chance < 1.0 and job.price is not None]
    job = max(unsure, key=lambda j: j.price.middle if j.price else 0.0, default=None)
    way = next(
        (o for o in options if o.way is Way.THROUGH and job is not None and job.inspected),
        next((o for o in options if o.way is Way.LASTING), None),
    )
    if job is None or job.price is None or way is None or way.at_once is None:
        return []
    causes = [one for one in unsure if one.of == job.of]
    # Where two may be needed, the others keep their share: one that is found rules out none.
    freed = causes if one_needed(causes) else [job]
    whole = way.at_once - sum(one.expected for one in freed) + job.price.middle
    named = way.way.words(case.settings.months)
    return [_say("turns-cause", part=job.name, way=named, whole=whole, expected=way.at_once)]


def _advice(
    case: Case, options: Sequence[Option], best: Option | None, sure: float | None
) -> Sentence:
    if case.facts.use == "to_be_sold" and best is not None:
        return _to_be_sold(case, best)
    if best is None or best.monthly is None:
        return _say("none")
    months = case.settings.months
    told: dict[str, object] = {"monthly": best.monthly, "currency": case.currency}
    others = [o for o in options if o.offered and o is not best and o.monthly is not None]
    word = "alone" if case.settings.replacement_price is None else "best"
    if word == "alone":
        told |= {"low": best.low, "high": best.high}
    second = min(others, key=lambda o: o.monthly or 0.0, default=None)
    if second is not None and second.monthly is not None:
        told |= {"lead": abs(second.monthly - best.monthly), "second": second.way.words(months)}
        if second.monthly < best.monthly:
            word += "-risk"
            told |= {"risk": best.risk, "other": second.risk}
        elif word == "best":
            word += "-lead"
    if sure is not None:
        word += "-odds"
        told["odds"] = (sure if best.way.keeps else 1.0 - sure) * 10
    return _say(word, way=best.way.words(months, first=True), **told)


def _to_be_sold(case: Case, best: Option) -> Sentence:
    """Say how to let it go, and what whoever takes it over is to be told."""
    open_ = [job.name for job in case.jobs if job.stage is not Stage.CAN_WAIT]
    way = best.way.words(case.settings.months)
    word = "sold-open" if open_ else "sold"
    return _say(word, way=way, note=best.note, parts=some_of(open_, _NAMED))


def _events(case: Case) -> tuple[str, ...]:
    own = (event for job in case.jobs for event in job.events)
    return tuple(dict.fromkeys((*case.worth.events[-3:], *own)))


def _caveats(case: Case, after: After) -> tuple[str, ...]:
    settings, parts = case.settings, case.parts
    unpriced = [job.name for job in case.jobs if job.price is None and job.component]
    usual_taken = settings.replacement_price is not None and settings.replacement_repairs is None
    critical = [
        i
        for i in after.ahead
        if (known := catalogue().find(parts.component[i])) is not None and known.safety_critical
    ]
    return all_said(
        _say("worth", words=case.worth.words),
        _say.when(any(job.hurts for job in case.jobs), "told-of-safety"),
        _say.when(unpriced, "unpriced", parts=Joined(unpriced[:4])),
        _say.when(usual_taken, "other-repairs", usual=case.usual),
        _say.when(
            (settings.duty == "passengers" or case.facts.use == "long_trips") and critical,
            "used-passengers" if settings.duty == "passengers" else "used-long",
            number=float(np.sum(after.found.number[critical])),
            months=settings.months,
        ),
        _say.when(
            case.must_pass and case.told is not None,
            "rules",
            title=case.told.vehicle.rules.title if case.told is not None else "",
        ),
        _say.when(not case.facts.asked, "no-inspection"),
        _unstated(case),
        _say.some(int(np.sum(~parts.known)), "unknown-age", parts=parts.size),
        _say("not-in-it"),
    )


def _unstated(case: Case) -> str:
    """Say how to state what nobody said of the vehicle, an empty text where all is said."""
    use, by = case.facts.use, case.facts.inspected_by
    if use and by:
        return ""
    word = "facts-use" if by else "facts-inspected" if use else "facts-none"
    return _say(word, vehicle=case.vehicle)


KEEP_OR_SELL = Analysis(
    name="keep-or-sell",
    title="What wants doing, and keep or let go",
    question="What wants doing, and is it best to do the least, to fix it, or to let it go?",
    run=run,
    settings=KeepOrSellSettings,
    about=ABOUT,
    answers=Answers.KEEP_OR_SELL,
)
