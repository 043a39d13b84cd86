"""Which causes stood behind such a picture before, and what would tell them apart."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Annotated

import numpy as np
from pydantic import Field

from roadworn.analysis import (
    Analysis,
    Answers,
    Cell,
    Column,
    Holds,
    Mark,
    Marks,
    Result,
    Settings,
    Table,
    Tells,
)
from roadworn.columns.kept import Codec
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue, part_name
from roadworn.model.messages import Joined, Sentence, some_of
from roadworn.trade.cautions import as_caveat, cautions_for
from roadworn_plugins.likely_causes.asking import (
    Picture,
    chance_in,
    learnt_from,
    open_pictures,
    place_in,
)
from roadworn_plugins.likely_causes.chain import (
    AGAIN_AND_AGAIN,
    Chain,
    Part,
    chain_table,
    chains_of,
    parts_of_chains,
)
from roadworn_plugins.likely_causes.chances import Causes
from roadworn_plugins.likely_causes.said import CHECKS, say, told_picture
from roadworn_plugins.likely_causes.scoring import Scores, scores
from roadworn_plugins.likely_causes.words import Check, trade_words
from roadworn_plugins.shared.prices import Prices
from roadworn_plugins.shared.settings import MostRows, all_said

ABOUT = """\
Question: Which causes stood behind such a picture before, and what would tell them apart?

Method: A case is a work or a diagnosis with what was seen shortly before: words of the
complaint, codes, findings, the distance. A part after which the code or the complaint came back,
or another part of the same picture was done, is no cause; it counts against that part. What one
fact says is a Dirichlet-multinomial: the class's cases drawn towards all classes', and these
towards what the code standard and the trade expect. Facts are put together as naive Bayes, each
of many counting less, whose weight the ledger's own cases set, each foretold from the others; the
table of scores says how well. Where wrong parts are common and nothing confirms a case, chances
are made bolder. A chain ties a cause, a part that failed three times or more, or a finding to
what is found bad, was offered and not done, or misfires upstream of it now; nothing else makes one.

Assumptions: The work after which it stayed away was the cause. Words are read by a short list
of symptoms in English and Spanish; other words count where the cases use them. What brings what
down is common practice, no source.

Reading: "points to X, 62 %, 8 of 13 like cases": of 13 earlier pictures with the same code or
complaint, X stood behind 8. It is no order to replace: check first. Without a like case only
what the code standard and common practice point to is listed, without a chance. "Behind it may
stand Y: do that first, it spares X": while Y is not seen to, another X may go the same way.

Reference: Hand and Yu, International Statistical Review 69 (2001); Gneiting and Raftery, JASA 102
(2007), both from memory. Checks, minutes and prices: common practice, no source.
"""
#: Less likely causes are not listed, nor more than these many.
_LEAST_CHANCE, _MOST_CAUSES, _MOST_CHECKS = 0.03, 5, 4
_MOST_EVENTS = 60
_LEVEL = 0.95
_COLUMNS = (
    Column("vehicle", "vehicle", tells=Tells.VEHICLE),
    Column("picture", "picture"),
    Column("rank", "rank", "integer"),
    Column("component", "points to", "component", tells=Tells.COMPONENT),
    Column("position", "where", tells=Tells.PLACE),
    Column("chance", "chance", "chance", tells=Tells.VALUE),
    Column("low", "low", "chance", detail=True, tells=Tells.LOW),
    Column("high", "high", "chance", detail=True, tells=Tells.HIGH),
    Column("cases", "cases", "integer"),
    Column("like", "of like cases", "integer"),
    Column("rests_on", "rests on", tells=Tells.WHY),
    Column("against", "speaks against it", tells=Tells.AGAINST),
    Column("behind", "in words", "sentence"),
)
_CHECK_COLUMNS = (
    Column("vehicle", "vehicle", tells=Tells.VEHICLE),
    Column("picture", "picture"),
    Column("order", "order", "integer"),
    Column("check", "check"),
    Column("tells", "tells of"),
    Column("chance", "chance that it shows it", "chance"),
    Column("minutes", "minutes", "integer"),
    Column("price", "price beyond the minutes", "money", unit="USD"),
    Column("caution", "caution", "sentence"),
)
_SCORE_COLUMNS = (
    Column("by", "foretold by"),
    Column("cases", "cases", "integer"),
    Column("score", "mean log score", "number", detail=True),
    Column("first", "cause stands first", "chance"),
    Column("three", "among the first three", "chance"),
    Column("slope", "slope of calibration", "number", detail=True),
)


class LikelyCausesSettings(Settings):
    """Which vehicle."""

    vehicle: Annotated[str | None, Field(description="only this vehicle")] = None
    most: MostRows = 60


def run(view: LedgerView, settings: LikelyCausesSettings) -> Result:
    """Rank the causes of what is open on a vehicle, or on all."""
    causes, pictures = open_pictures(view, settings.vehicle)
    chains = chains_of(view, causes, pictures, settings.vehicle)
    score = _scores(view)
    again = _again(view, settings.vehicle)
    if not pictures and not chains:
        return Result(
            say("none", vehicle=say.when(settings.vehicle, "on", vehicle=settings.vehicle)),
            tables=(score,),
            caveats=all_said(say("cases", n=len(causes.cases))),
        )
    own = defaultdict[str, dict[Part, Chain]](dict)
    for chain in chains:
        own[chain.vehicle][chain.part] = chain
    rows = [row for p in pictures for row in _rows(causes, p, own[p.vehicle], again[p.vehicle])]
    shown = rows[: settings.most]
    checks = [row for p in pictures for row in _checks(causes, p)][: settings.most]
    components = {str(row[0][3]) for row in shown} | parts_of_chains(chains[: settings.most])
    return Result(
        headline=_headline(causes, pictures, chains, settings.vehicle),
        tables=(
            Table(
                "likely_causes",
                "What such pictures pointed to before",
                _COLUMNS,
                tuple(cells for cells, _events, _marks in shown),
                tuple(events for _cells, events, _marks in shown),
                holds=Holds.CAUSES,
                marks=tuple(marks for _cells, _events, marks in shown),
            ),
            chain_table(chains[: settings.most], Prices.load(view).currency),
            Table(
                "checks",
                "What tells them apart, the cheap and telling look first",
                _CHECK_COLUMNS,
                tuple(checks),
            ),
            score,
        ),
        caveats=all_said(
            say("points-to"),
            say.when(any(row[0][8] for row in shown), "by-all-seen"),
            say.when(any(not row[0][9] for row in shown), "by-trade"),
            say("practice"),
            say("cases", n=len(causes.cases)),
            say.when(not causes.weights.learnt, "few"),
            say.some(len(rows) - len(shown), "not-shown"),
            *(as_caveat(text) for text in cautions_for(components)),
        ),
    )


def _ranked(causes: Causes, picture: Picture) -> list[int]:
    """Return the causes to list, the likeliest first; without like cases those pointed to."""
    order = np.argsort(-picture.chances, kind="stable")[:_MOST_CAUSES].tolist()
    if picture.like:
        return [i for n, i in enumerate(order) if not n or picture.chances[i] >= _LEAST_CHANCE]
    pointed = np.sum([causes.trade[f] for f in picture.facts if f in causes.trade], axis=0)
    return [i for i in order if np.ndim(pointed) and pointed[i] > 0.0]


_Row = tuple[tuple[Cell, ...], tuple[str, ...], Marks]


def _rows(
    causes: Causes,
    picture: Picture,
    chains: Mapping[Part, Chain],
    again: Mapping[Part, tuple[int, tuple[str, ...]]],
) -> list[_Row]:
    found: list[_Row] = []
    told, weight = told_picture(picture.seen), len(picture.like) + causes.weights.borrowed
    opened = tuple(dict.fromkeys(one.event for one in picture.seen))
    listed = [(i, chance_in(picture, i), "") for i in _ranked(causes, picture)]
    for code, (i, chance) in picture.apart.items():
        if chance >= _LEAST_CHANCE and i not in {one for one, _c, _code in listed}:
            listed.append((i, chance, code))
    for rank, (i, chance, code) in enumerate(listed, start=1):
        name = causes.names[i]
        place = place_in(picture, name)
        cases = [case for case in picture.like if case.cause == name]
        low, high = _limits(chance, weight)
        figures: tuple[Cell, ...] = (chance, low, high) if picture.like else (None, None, None)
        tried = picture.tried.get(name, [])
        behind, why = _behind((name, place), chains, again)
        known = catalogue().find(name)
        events = [
            *opened,
            *(event for _on, event in tried),
            *why,
            *(event for case in cases for event in reversed(case.events)),
        ]
        found.append(
            (
                (
                    picture.vehicle,
                    told,
                    rank,
                    name,
                    place,
                    *figures,
                    len(cases),
                    len(picture.like),
                    say("second", code=code) if code else _rests_on(picture, name),
                    _against(tried),
                    behind,
                ),
                tuple(dict.fromkeys(events))[:_MOST_EVENTS],
                Marks({Mark.CRITICAL} if known is not None and known.safety_critical else ()),
            )
        )
    return found


def _limits(chance: float, weight: float) -> tuple[float, float]:
    """Return the limits of a chance that rests on so many cases, by its Beta distribution."""
    from roadworn_plugins.lifedata.special import betaincinv

    a, b = max(chance * weight, 1e-6), max((1.0 - chance) * weight, 1e-6)
    tail = (1.0 - _LEVEL) / 2.0
    low, high = float(betaincinv(a, b, tail)), float(betaincinv(a, b, 1.0 - tail))
    return min(low, chance), max(high, chance)


def _rests_on(picture: Picture, component: str) -> Sentence:
    if not picture.like:
        return say("no-case")
    cases = [case for case in picture.like if case.cause == component]
    if not cases:
        return say("none-of-them")
    own = sum(case.kind == picture.kind for case in cases)
    return say("own-cases" if own else "other-cases", n=own or len(cases), every=len(cases))


def _against(tried: Sequence[tuple[str, str]]) -> str:
    return say("tried", days=Joined(date.fromisoformat(on) for on, _e in tried)) if tried else ""


def _behind(
    part: Part,
    chains: Mapping[Part, Chain],
    again: Mapping[Part, tuple[int, tuple[str, ...]]],
) -> tuple[str, tuple[str, ...]]:
    """Return what may stand behind a part, or that it failed again and again, and the events."""
    if part in chains:
        chain = chains[part]
        return say("see-below", first=part_name(*chain.first)), chain.events
    if part in again:
        times, events = again[part]
        return say("again", part=part_name(*part), n=times), events
    return "", ()


def _again(
    view: LedgerView, vehicle: str | None
) -> dict[str, dict[Part, tuple[int, tuple[str, ...]]]]:
    """Return, by vehicle, the parts that failed again and again, how often, and the events."""
    found = defaultdict[str, dict[Part, tuple[int, tuple[str, ...]]]](dict)
    for name, component, place, times, events in view.of_vehicle(
        """SELECT vehicle_id, component, coalesce(position, ''), count(*),
                  list(event_id ORDER BY seq)
           FROM replacements WHERE ONLY(vehicle_id) AND reason = 'failed'
           GROUP BY 1, 2, 3 HAVING count(*) >= ? ORDER BY 1, 2, 3""",
        vehicle,
        (AGAIN_AND_AGAIN,),
    ).rows:
        found[name][component, place] = int(times), tuple(events)
    return found


def _checks(causes: Causes, picture: Picture) -> list[tuple[Cell, ...]]:
    """Return the looks that tell the listed causes apart: most told for the minute first."""
    listed = {causes.names[i]: chance_in(picture, i) for i in _ranked(causes, picture)}
    found: list[tuple[float, Check, float]] = []
    for check in trade_words().checks:
        share = min(sum(chance for name, chance in listed.items() if name in check.tells), 1.0)
        if share > 0.0:
            # The mean of what a yes or a no would teach, in natural units (Shannon's entropy).
            doubt = -share * np.log(share) - (1.0 - share) * np.log(max(1.0 - share, 1e-9))
            found.append((float(doubt) / (check.minutes + check.price), check, share))
    found.sort(key=lambda one: (-one[0], one[1].name))
    told = told_picture(picture.seen)
    return [
        (
            picture.vehicle,
            told,
            order,
            CHECKS[check.name],
            Joined(part_name(name) for name in check.tells if name in listed),
            share if picture.like else None,
            check.minutes,
            check.price,
            say.when(check.safety, "careful"),
        )
        for order, (_worth, check, share) in enumerate(found[:_MOST_CHECKS], start=1)
    ]


_SCORES = Codec((Scores,))


def _scores(view: LedgerView) -> Table:
    # It asks nothing but what the causes are learnt from.
    found = view.kept_while("scores of causes", None, lambda: scores(learnt_from(view)[0]), _SCORES)
    rows: tuple[tuple[Cell, ...], ...] = ()
    if found is not None:
        rows = (
            (say("by-base"), found.cases, round(found.base, 3), None, None, None),
            (say("by-code"), found.cases, round(found.code, 3), None, None, None),
            (
                say("by-all"),
                found.cases,
                round(found.full, 3),
                found.first,
                found.three,
                None if found.slope is None else round(found.slope, 2),
            ),
        )
    title = "How well each case is foretold from the others, 0 the best"
    return Table("scores", title, _SCORE_COLUMNS, rows, holds=Holds.OF_ALL)


def _headline(
    causes: Causes, pictures: Sequence[Picture], chains: Sequence[Chain], asked: str | None
) -> Sentence:
    """Say what the pictures of the first vehicle point to, the first look, and its chain.

    Whose they are is not said again where one vehicle was asked for.
    """
    names = {picture.vehicle for picture in pictures} | {chain.vehicle for chain in chains}
    others = say.some(len(names) - 1, "others")
    if not pictures:
        behind = chains[0].sentence
        return say(
            "only-chain-own" if asked else "only-chain",
            vehicle=chains[0].vehicle,
            behind=behind,
            others=others,
        )
    first = pictures[0]
    own = [picture for picture in pictures if picture.vehicle == first.vehicle]
    ranked = _ranked(causes, first)
    checks = _checks(causes, first)
    tied = [chain for chain in chains if chain.vehicle == first.vehicle]
    # What the likeliest cause belongs to comes before what would spare most.
    likely = {causes.names[i] for picture in own for i in _ranked(causes, picture)[:1]}
    tied.sort(key=lambda chain: chain.part[0] not in likely)
    return say(
        "headline-own" if asked else "headline",
        vehicle=first.vehicle,
        pictures=Joined((_points(causes, picture) for picture in own), "; "),
        check=say.when(
            ranked and checks,
            "check-first",
            check=checks[0][3] if checks else "",
            minutes=checks[0][6] if checks else 0,
        ),
        behind=say.when(tied, "and-behind", **_first_of(tied)),
        others=others,
    )


def _first_of(chains: Sequence[Chain]) -> dict[str, object]:
    """Return what stands behind a part, by the chain that is told first."""
    if not chains:
        return {}
    chain = chains[0]
    return {"part": part_name(*chain.part), "behind": part_name(*chain.first)}


def _points(causes: Causes, picture: Picture) -> Sentence:
    shown, ranked = some_of(told_picture(picture.seen).parts, 3), _ranked(causes, picture)
    if not ranked:
        return say("nothing", picture=shown)
    name = causes.names[ranked[0]]
    part = part_name(name, place_in(picture, name))
    if not picture.like:
        # What was found at the part itself is no pointer to it.
        others = [one for one in picture.seen if one.name.partition(":")[2] != name]
        shown = some_of(told_picture(others or picture.seen).parts, 3)
        return say("points-new", picture=shown, part=part)
    return say(
        "points",
        picture=shown,
        part=part,
        chance=chance_in(picture, ranked[0]),
        n=sum(case.cause == name for case in picture.like),
        every=len(picture.like),
    )


LIKELY_CAUSES = Analysis(
    name="likely-causes",
    title="What such pictures pointed to",
    question="Which causes stood behind such a picture before, and what would tell them apart?",
    run=run,
    settings=LikelyCausesSettings,
    about=ABOUT,
    answers=Answers.CAUSES,
)
