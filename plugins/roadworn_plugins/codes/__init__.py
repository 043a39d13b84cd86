"""Which work made a trouble code stay away, and which did not."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from roadworn.analysis import Analysis, Answers, Cell, Column, Result, Table, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Says, Sentence
from roadworn.trade.codes import split_code, told_code
from roadworn_plugins.codes.cases import Case, CodeOutcomesSettings, load_cases
from roadworn_plugins.lifedata.counts import jeffreys_interval
from roadworn_plugins.shared.settings import all_said

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
_say = Says(
    "code-outcomes",
    {
        "none": "No work after a code has been proved by a later scan yet{for_vehicle}.",
        "for-vehicle": " for the codes on {vehicle}",
        "seldom": "Each work after a code was proved too seldom yet to say what keeps it away.",
        "headline": "After {code}{on_class} work on the {part} kept it away {times}{worst}.",
        "on-class": " on {vehicle_class}",
        "worst": ", work on the {part} {times}",
        "times": "{n} of {every} {every:time|times} ({low:.0%} to {high:.0%})",
        "test-first": "A code points to a circuit or a condition, not to a part: test before "
        "replacing.",
        "several": "In {n} {n:case|cases} several parts were done at once; each of them counts.",
        "unknown": "For {n} of {every} {every:case|cases} no later scan tells how they went.",
        "not-shown": "{n} more {n:row|rows} {n:is|are} not shown; raise the setting most.",
    },
)
_COLUMNS = (
    Column("code", "code"),
    Column("class", "class"),
    Column("component", "worked on", "component", tells=Tells.COMPONENT),
    Column("away", "stayed away", "integer"),
    Column("back", "came back", "integer"),
    Column("share", "share away", "chance"),
    Column("low", "low", "chance", tells=Tells.LOW),
    Column("high", "high", "chance", tells=Tells.HIGH),
    Column("open", "not known yet", "integer"),
    Column("alone", "alone", "integer"),
    Column("points_to", "code points to it"),
    Column("meaning", "meaning", detail=True),
)


@dataclass(slots=True)
class _Row:
    """Cases of one code, class and component; `low` and `high` are limits of the share away."""

    code: str
    kind: str
    component: str
    away: int = 0
    back: int = 0
    open: int = 0
    alone: int = 0
    low: float = 0.0
    high: float = 0.0
    events: list[str] = field(default_factory=list)

    @property
    def known(self) -> int:
        return self.away + self.back

    @property
    def pointed_to(self) -> bool:
        return self.component in told_code(self.code)[1]

    def add(self, case: Case) -> None:
        self.away += case.ending == "stayed away"
        self.back += case.ending == "came back"
        self.open += case.ending == "not known"
        self.alone += len(case.components) == 1
        self.events += case.events

    def cells(self) -> tuple[Cell, ...]:
        share = (self.away / self.known, self.low, self.high) if self.known else (None,) * 3
        return (
            self.code,
            self.kind,
            self.component,
            self.away,
            self.back,
            *share,
            self.open,
            self.alone,
            "yes" if self.pointed_to else "",
            told_code(self.code)[0],
        )


def run(view: LedgerView, settings: CodeOutcomesSettings) -> Result:
    """Tally the endings by code, class and component."""
    codes, kinds = _wanted(view, settings)
    cases = [case for case in load_cases(view, settings) if codes is None or case.code in codes]
    rows = [
        row
        for row in _rows(cases)
        if (kinds is None or row.kind in kinds)
        and row.known >= settings.least
        # Else it says nothing of its own part.
        and (settings.along or row.component == NO_WORK or row.alone or row.pointed_to)
    ]
    shown = rows[: settings.most]
    return Result(
        headline=_headline(shown, settings.vehicle),
        tables=(
            Table(
                "code_outcomes",
                "What was done about a code, and how it went",
                _COLUMNS,
                tuple(row.cells() for row in shown),
                tuple(tuple(dict.fromkeys(reversed(row.events)))[:_MOST_EVENTS] for row in shown),
            ),
        ),
        caveats=all_said(
            _say("test-first"),
            _say.some(sum(len(case.components) > 1 for case in cases), "several"),
            _say.some(
                sum(case.ending == "not known" for case in cases), "unknown", every=len(cases)
            ),
            _say.some(len(rows) - len(shown), "not-shown"),
        ),
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
    found: dict[tuple[str, str, str], _Row] = {}
    classes: dict[str, set[str]] = {}
    for case in cases:
        classes.setdefault(case.code, set()).add(case.vehicle_class)
        for component in case.components or (NO_WORK,):
            for key in (
                (case.code, case.vehicle_class, component),
                (case.code, ALL_CLASSES, component),
            ):
                found.setdefault(key, _Row(*key)).add(case)
    # All classes together would repeat the only one.
    rows = [row for row in found.values() if row.kind != ALL_CLASSES or len(classes[row.code]) > 1]
    weight = Counter[str]()
    for row in rows:
        if row.component != NO_WORK:
            weight[row.code] += row.known
        if row.known:
            share = jeffreys_interval(row.away, row.known)
            row.low, row.high = float(share.lower), float(share.upper)
    rows.sort(
        key=lambda r: (
            -weight[r.code],
            r.code,
            r.kind != ALL_CLASSES,
            r.kind,
            r.component == NO_WORK,
            -r.low,
            r.component,
        )
    )
    return rows


def _headline(rows: Sequence[_Row], vehicle: str | None) -> Sentence:
    tried = [row for row in rows if row.component != NO_WORK and row.known]
    if not tried:
        return _say("none", for_vehicle=_say.when(vehicle, "for-vehicle", vehicle=vehicle))
    often = [row for row in tried if row.known >= _LEAST_TOLD]
    if not often:
        return _say("seldom")
    groups: dict[tuple[str, str], list[_Row]] = {}
    for row in often:
        groups.setdefault((row.code, row.kind), []).append(row)
    best, worst = often[0], None
    for group in groups.values():
        low = min(group, key=lambda row: (row.high, row.component))
        # Named only where the two are apart beyond their limits.
        if low.high < group[0].low:
            best, worst = group[0], low
            break
    return _say(
        "headline",
        code=best.code,
        on_class=_say.when(best.kind != ALL_CLASSES, "on-class", vehicle_class=best.kind),
        part=part_name(best.component),
        times=_counted(best),
        worst=""
        if worst is None
        else _say("worst", part=part_name(worst.component), times=_counted(worst)),
    )


def _counted(row: _Row) -> Sentence:
    return _say("times", n=row.away, every=row.known, low=row.low, high=row.high)


CODE_OUTCOMES = Analysis(
    name="code-outcomes",
    title="What made codes stay away",
    question="Which work made a trouble code stay away, and which did not?",
    run=run,
    settings=CodeOutcomesSettings,
    about=ABOUT,
    answers=Answers.CODES,
)
