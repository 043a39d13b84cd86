"""Which work made a trouble code stay away, and which did not."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Annotated

from pydantic import Field

from roadworn.analysis.result import Analysis, Answers, Column, Result, Settings, Table
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Sentence
from roadworn.trade.codes import split_code, told_code
from roadworn_plugins.codes.cases import Case, Limits, load_cases
from roadworn_plugins.lifedata.counts import jeffreys_interval
from roadworn_plugins.shared.said import all_said, if_any

ABOUT = """\
Question: Which work made a trouble code stay away, and which did not?

Method: For each scan that shows a stored code, the work that followed before the code was seen
again, and what the later scans of the same module say. It stayed away when a scan far enough
on the road after the work does not show it. Shares carry Jeffreys limits.

Assumptions: Work soon after a scan was for its code. Where several parts were done at once each
of them counts, and the column "alone" says how often it was the only one.

Reading: "11 of 12 (65 to 99 %)" is what happened here, not a proof of cause. A code names a
circuit or a condition, not a part: test before replacing.

Reference: Brown, Cai and DasGupta, Statistical Science 16 (2001) 101-133 for the limits.
"""
ALL_CLASSES = "(all classes)"
NO_WORK = "(no such work recorded)"
_MOST_EVENTS = 60
#: Fewer known endings are in the table, but not in the headline.
_LEAST_TOLD = 3


class CodeOutcomesSettings(Settings):
    """Which codes, and what counts as following and as proof."""

    vehicle: Annotated[str | None, Field(description="codes on this vehicle now, its class")] = None
    code: Annotated[str | None, Field(description="only this code")] = None
    related_only: Annotated[
        bool, Field(description="only work on the systems that the code points into")
    ] = True
    work_days: Annotated[int, Field(ge=0, description="later work was not for the code")] = 60
    work_km: Annotated[float, Field(gt=0, description="the same by distance, in km")] = 5_000.0
    proof_km: Annotated[
        float, Field(ge=0, description="a scan nearer to the work than this proves nothing, in km")
    ] = 150.0
    follow_days: Annotated[int, Field(ge=1, description="later it is a new fault")] = 365
    follow_km: Annotated[float, Field(gt=0, description="the same by distance, in km")] = 25_000.0
    along: Annotated[
        bool, Field(description="list parts too that were only ever done along with others")
    ] = False
    least: Annotated[int, Field(ge=1, description="fewer known endings are not listed")] = 1
    most: Annotated[int, Field(ge=1, description="rows at the most")] = 60


@dataclass(slots=True)
class _Tally:
    """Cases of one code, class and component."""

    away: int = 0
    back: int = 0
    open: int = 0
    alone: int = 0
    events: list[str] = field(default_factory=list)

    @property
    def known(self) -> int:
        return self.away + self.back

    def add(self, case: Case) -> None:
        self.away += case.ending == "stayed away"
        self.back += case.ending == "came back"
        self.open += case.ending == "not known"
        self.alone += len(case.components) == 1
        self.events += case.events


@dataclass(frozen=True, slots=True)
class _Row:
    code: str
    kind: str
    component: str
    tally: _Tally
    low: float | None
    high: float | None


def run(view: LedgerView, settings: CodeOutcomesSettings) -> Result:
    """Tally the endings by code, class and component."""
    limits = Limits(
        settings.work_days,
        settings.work_km,
        settings.proof_km,
        settings.follow_days,
        settings.follow_km,
        settings.related_only,
    )
    codes, kinds = _wanted(view, settings)
    cases = [case for case in load_cases(view, limits) if codes is None or case.code in codes]
    rows = [
        row
        for row in _rows(cases)
        if (kinds is None or row.kind in kinds)
        and row.tally.known >= settings.least
        and (settings.along or _stands_alone(row))
    ]
    shown = rows[: settings.most]
    return Result(
        headline=_headline(shown, settings),
        tables=(_table(shown),),
        caveats=_caveats(cases, len(rows) - len(shown)),
    )


def _wanted(
    view: LedgerView, settings: CodeOutcomesSettings
) -> tuple[frozenset[str] | None, frozenset[str] | None]:
    """Return the codes and the classes to show, None for all."""
    codes: frozenset[str] | None = None
    kinds: frozenset[str] | None = None
    if settings.vehicle is not None:
        found = view.sql(
            """SELECT DISTINCT a.code, v.vehicle_class
               FROM vehicles AS v LEFT JOIN active_codes AS a USING (vehicle_id)
               WHERE v.vehicle_id = ?""",
            (settings.vehicle,),
        ).rows
        codes = frozenset(code for code, _kind in found if code is not None)
        kinds = frozenset({ALL_CLASSES, *(kind for _code, kind in found)})
    if settings.code is not None:
        code = split_code(settings.code)[0]
        codes = frozenset({code}) if codes is None else codes & {code}
    return codes, kinds


def _rows(cases: Iterable[Case]) -> list[_Row]:
    """Return the rows: codes with most known endings first, then what helped most surely."""
    tallies: dict[tuple[str, str, str], _Tally] = {}
    for case in cases:
        for component in case.components or (NO_WORK,):
            for kind in (case.vehicle_class, ALL_CLASSES):
                tallies.setdefault((case.code, kind, component), _Tally()).add(case)
    classes: dict[str, set[str]] = {}
    for code, kind, _component in tallies:
        classes.setdefault(code, set()).add(kind)
    rows = []
    for (code, kind, component), tally in tallies.items():
        if kind == ALL_CLASSES and len(classes[code]) == 2:
            continue  # it would repeat the only class
        low = high = None
        if tally.known:
            share = jeffreys_interval(tally.away, tally.known)
            low, high = float(share.lower), float(share.upper)
        rows.append(_Row(code, kind, component, tally, low, high))
    weight = {
        code: sum(r.tally.known for r in rows if r.code == code and r.component != NO_WORK)
        for code in classes
    }
    rows.sort(
        key=lambda r: (
            -weight[r.code],
            r.code,
            r.kind != ALL_CLASSES,
            r.kind,
            r.component == NO_WORK,
            -(r.low or 0.0),
            r.component,
        )
    )
    return rows


def _table(rows: Sequence[_Row]) -> Table:
    return Table(
        name="code_outcomes",
        title="What was done about a code, and how it went",
        columns=(
            Column("code", "code"),
            Column("class", "class"),
            Column("component", "worked on", "component"),
            Column("away", "stayed away", "integer"),
            Column("back", "came back", "integer"),
            Column("share", "share away", "chance"),
            Column("low", "low", "chance"),
            Column("high", "high", "chance"),
            Column("open", "not known yet", "integer"),
            Column("alone", "alone", "integer"),
            Column("points_to", "code points to it"),
            Column("meaning", "meaning", detail=True),
        ),
        rows=tuple(
            (
                row.code,
                row.kind,
                row.component,
                row.tally.away,
                row.tally.back,
                row.tally.away / row.tally.known if row.tally.known else None,
                row.low,
                row.high,
                row.tally.open,
                row.tally.alone,
                "yes" if row.component in told_code(row.code)[1] else "",
                told_code(row.code)[0],
            )
            for row in rows
        ),
        evidence=tuple(
            tuple(dict.fromkeys(reversed(row.tally.events)))[:_MOST_EVENTS] for row in rows
        ),
    )


def _headline(rows: Sequence[_Row], settings: CodeOutcomesSettings) -> str:
    tried = [row for row in rows if row.component != NO_WORK and row.tally.known]
    if not tried:
        return Sentence(
            "code-outcomes.none",
            "No work after a code has been proved by a later scan yet{for_vehicle}.",
            for_vehicle=Sentence(
                "code-outcomes.for-vehicle",
                " for the codes on {vehicle}",
                vehicle=settings.vehicle,
            )
            if settings.vehicle
            else "",
        )
    often = [row for row in tried if row.tally.known >= _LEAST_TOLD]
    if not often:
        return Sentence(
            "code-outcomes.seldom",
            "Each work after a code was proved too seldom yet to say what keeps it away.",
        )
    best, worst = often[0], None
    for group in _by_code(often):
        low = min(group, key=lambda row: (row.high or 0.0, row.component))
        # Named only where the two are apart beyond their limits.
        if (low.high or 0.0) < (group[0].low or 0.0):
            best, worst = group[0], low
            break
    return Sentence(
        "code-outcomes.headline",
        "After {code}{on_class} work on the {part} kept it away {times}{worst}.",
        code=best.code,
        on_class=""
        if best.kind == ALL_CLASSES
        else Sentence("code-outcomes.on-class", " on {vehicle_class}", vehicle_class=best.kind),
        part=part_name(best.component),
        times=_counted(best),
        worst=""
        if worst is None
        else Sentence(
            "code-outcomes.headline-worst",
            ", work on the {part} {times}",
            part=part_name(worst.component),
            times=_counted(worst),
        ),
    )


def _by_code(rows: Iterable[_Row]) -> list[list[_Row]]:
    groups: dict[tuple[str, str], list[_Row]] = {}
    for row in rows:
        groups.setdefault((row.code, row.kind), []).append(row)
    return list(groups.values())


def _stands_alone(row: _Row) -> bool:
    """Whether a row says something of its own part: it was done alone, or the code points to it."""
    return (
        row.component == NO_WORK or row.tally.alone > 0 or row.component in told_code(row.code)[1]
    )


def _counted(row: _Row) -> str:
    return Sentence(
        "code-outcomes.times",
        "{n} of {every} times ({low:.0%} to {high:.0%})",
        n=row.tally.away,
        every=row.tally.known,
        low=row.low,
        high=row.high,
    )


def _caveats(cases: Sequence[Case], cut: int) -> tuple[str, ...]:
    return all_said(
        Sentence(
            "code-outcomes.test-first",
            "A code points to a circuit or a condition, not to a part: test before replacing.",
        ),
        if_any(
            sum(len(case.components) > 1 for case in cases),
            "code-outcomes.several",
            "In {n} cases several parts were done at once; each of them counts.",
        ),
        if_any(
            sum(case.ending == "not known" for case in cases),
            "code-outcomes.unknown",
            "For {n} of {every} cases no later scan tells how they went.",
            every=len(cases),
        ),
        if_any(
            cut, "code-outcomes.not-shown", "{n} more rows are not shown; raise the setting most."
        ),
    )


CODE_OUTCOMES = Analysis(
    name="code-outcomes",
    title="What made codes stay away",
    question="Which work made a trouble code stay away, and which did not?",
    run=run,
    settings=CodeOutcomesSettings,
    about=ABOUT,
    answers=Answers.CODES,
)
