"""From what was last seen to what an inspection would say: pass, fail, reject or not known.

Exactly at a limit passes, since the rules say "not less than" and "not more than". Not looked
at is not known and never a pass, and a look that is too old is no look; but what was found
failed stays failed until somebody puts it right.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Says, Sentence
from roadworn.model.places import SPARE, other_side
from roadworn.model.units import UnitError, exact
from roadworn.trade.codes import told_code
from roadworn.trade.judging import Judgement, KnownSizes, example_of, judge
from roadworn.trade.limits import Item, limit_tables
from roadworn.trade.scan_bytes import Readiness, decode_readiness
from roadworn_plugins.shared.rule_sets import RuleSet, Seen

Outcome = Literal["pass", "fail", "reject", "not known", "not tested"]
#: A vehicle's outcome is the first of these that any of its items has.
WORST_FIRST: tuple[Outcome, ...] = ("fail", "reject", "not known", "pass")
_SOCKET = "40 CFR 85.2222"
_STATE = "state rule (setting)"
_GUIDANCE = "66 FR 18155 and EPA420-R-01-015"
_say = Says(
    "inspection-outlook",
    {
        "unsettled": "{seen}: the limit depends on the {size}; record it once, as '{example}'",
        "never-looked-at": "not looked at",
        "last-looked-at": "last looked at on {day}",
        "places-not-looked-at": "{places} not looked at",
        "model-year": "model years before {year} are not",
        "never-read-out": "never read out",
        "last-read-out": "last read out on {day}",
        "clean-since": "no codes on {day}, after the lamp was on on {then}; lamp and monitors were "
        "not read then: read them again",
        "passed-over": "not checked on {day}",
        "lamp": "the lamp is commanded on",
        "lamp-for-codes": "the lamp is commanded on for {codes}",
        "code": "{trouble_code} (points to {parts})",
        "permanent-codes": "{number} permanent {number:code|codes}",
        "readiness-not-read": "readiness was not read on {day}",
        "driven-since": "on {day} {then}; driven {km:,.0f} km since: read again",
        "none-not-ready": "none not ready",
        "not-ready": "{number} not ready ({monitors})",
        "cleared": "codes had been cleared {km:,.0f} km before",
        "just-cleared": "no monitor had finished: codes were cleared just before",
        "no-model-year": "{number} not ready, model year unknown",
        "no-rule": "{number} not ready, no rule for them",
        "too-many-not-ready": (
            "{number} {number:monitor|monitors} {number:is|are} not ready where {allowed} may be "
            "({monitors})"
        ),
        "replaced": "{part} replaced on {day}",
        "repaired": "{part} repaired on {day}",
        "sound": "sound",
        "wearing": "wearing",
        "failed": "failed",
        "measured": "measured",
        "limit": "(limit {limit} {unit})",
        "on-a-day": "on {day}",
        "everywhere": "all",
        "passed-looked": "last seen sound on {day}",
        "passed-repaired": "repaired on {day}",
        "passed-replaced": "replaced on {day}",
        "passed-looked-or-repaired": "last seen sound or repaired on {day}",
        "passed-looked-or-replaced": "last seen sound or replaced on {day}",
        "passed-repaired-or-replaced": "repaired or replaced on {day}",
        "passed-looked-or-repaired-or-replaced": "last seen sound, repaired or replaced on {day}",
    },
)


@dataclass(frozen=True, slots=True)
class Judged:
    """What an inspection would say of one item.

    Attributes:
        key, name: of the item.
        outcome: in the inspection's words.
        detail: why, in words.
        citation, mark: the rule.
        failed: component and place of everything that has to be put right.
        evidence: ids of the events behind it.
        points_to: components that the codes behind a failure point to.
        seen: days on which what passes was last seen sound.
    """

    key: str
    name: str
    outcome: Outcome
    detail: str
    citation: str
    mark: str = ""
    failed: tuple[tuple[str, str], ...] = ()
    evidence: tuple[str, ...] = ()
    points_to: tuple[str, ...] = ()
    seen: tuple[date, ...] = ()


@dataclass(frozen=True, slots=True)
class LastScan:
    """The latest read-out that says something about lamp or readiness.

    `codes` are the stored ones; `driven_since` is the distance gone after it, in km. `clean_on` is
    the day of a later one that read no code and neither lamp nor readiness, `clean` its event.
    """

    on: date
    event: str
    lamp: str | None
    readiness: str | None
    km_since_clear: float | None
    permanent: int
    codes: tuple[str, ...] = ()
    driven_since: float = 0.0
    clean_on: date | None = None
    clean: str = ""


def last_scans(view: LedgerView) -> Mapping[str, LastScan]:
    """Return vehicle -> what its read-outs say of lamp and readiness, and of codes after that."""
    rows = view.sql(
        """WITH read AS (
             SELECT vehicle_id, seq, event_id, occurred_on, any_value(lamp) AS lamp,
                    any_value(readiness) AS readiness, any_value(km_since_clear) AS km,
                    any_value(true_km) AS true_km, bool_or(active_read) AS active
             FROM scans WHERE outcome = 'read'
             GROUP BY vehicle_id, seq, event_id, occurred_on
           ), told AS (
             SELECT r.*, lamp IS NOT NULL OR readiness IS NOT NULL AS says,
                    active AND NOT EXISTS (
                      SELECT 1 FROM codes AS c
                      WHERE c.seq = r.seq AND c.status IN ('stored', 'permanent')) AS clean
             FROM read AS r
           ), last AS (
             SELECT *, row_number() OVER (PARTITION BY vehicle_id
                                          ORDER BY says DESC, occurred_on DESC, seq DESC) AS back
             FROM told WHERE says OR clean
           ), clean AS (
             SELECT vehicle_id, max((occurred_on, seq, event_id)) AS at FROM told
             WHERE clean AND NOT says GROUP BY vehicle_id)
           SELECT l.vehicle_id, l.occurred_on, l.event_id, l.lamp, l.readiness, l.km,
                  count(c.code) FILTER (WHERE c.status = 'permanent'),
                  list(DISTINCT c.code ORDER BY c.code)
                    FILTER (WHERE c.status = 'stored' AND c.code LIKE 'P%'),
                  v.last_km - l.true_km,
                  CASE WHEN (n.at[1], n.at[2]) > (l.occurred_on, l.seq) THEN n.at[1] END,
                  coalesce(n.at[3], '')
           FROM last AS l JOIN vehicles AS v USING (vehicle_id)
           LEFT JOIN codes AS c ON c.seq = l.seq
           LEFT JOIN clean AS n ON n.vehicle_id = l.vehicle_id
           WHERE l.back = 1 GROUP BY ALL"""
    ).rows
    found = {}
    for vehicle, on, event, lamp, readiness, km, permanent, codes, driven, *clean in rows:
        says = (on, event, lamp, readiness, km, int(permanent), tuple(codes or ()), driven or 0.0)
        found[vehicle] = LastScan(*says, *clean)
    return found


def judge_item(
    item: Item,
    seen: Iterable[Seen],
    today: date,
    look_days: int,
    sizes: KnownSizes | None = None,
    passed_over: date | None = None,
) -> Judged:
    """Judge one item from what was last seen of its components.

    Args:
        item: of a rule set.
        seen: newest look at each place of its components.
        today: the day asked about.
        look_days: an older look is no look.
        sizes: what limit tables ask for, as far as it is on record.
        passed_over: day of the last look-over that left its components out, or None.
    """
    known = sizes or KnownSizes()
    # What lies in the trunk does not roll (common practice, no source) unless the rules name it.
    aside = () if SPARE in item.complete else (SPARE,)
    covered = [s for s in seen if item.covers(s.place or None) and s.place not in aside]
    failed, passed, unsettled = [], [], []
    for one in covered:
        against = None if one.how != "looked" else _against_limit(item, one, known)
        if against is not None and against.condition == "not_checked":
            unsettled.append(one)
        elif "failed" in (one.condition, against and against.condition):
            failed.append(one)
        elif (today - one.on).days <= look_days:
            passed.append(one)
    places = tuple(dict.fromkeys((s.component, s.place) for s in failed))
    if failed:
        found = Joined((_words(item, s) for s in failed), by="; ")
        return _judged(item, "fail", found, failed, places)
    if unsettled:
        size = limit_tables()[item.table].key
        seen_so = Joined((_words(item, s) for s in unsettled), by="; ")
        detail = _say("unsettled", seen=seen_so, size=size, example=example_of(size))
        return _judged(item, "not known", detail, covered)
    if not passed:
        last = max((s.on for s in covered), default=None)
        never = _say("never-looked-at") if last is None else _say("last-looked-at", day=last)
        return _judged(item, "not known", never, covered)
    missing = _missing(item, passed)
    if missing:
        unseen = _say("places-not-looked-at", places=Joined(missing))
        return _judged(item, "not known", unseen, passed)
    words, seen_on = _passed_words(item, passed), tuple(s.on for s in passed)
    if passed_over is not None and passed_over > min(seen_on):
        words = Joined((words, _say("passed-over", day=passed_over)), by="; ")
    return replace(_judged(item, "pass", words, passed), seen=seen_on)


def judge_socket(
    scan: LastScan | None,
    model_year: int | None,
    fuel: str | None,
    rules: RuleSet,
    today: date,
    scan_days: int,
) -> Judged:
    """Judge the emission inspection by the onboard system from the latest read-out."""

    def found(outcome: Outcome, detail: str, citation: str) -> Judged:
        events = () if scan is None else (scan.event, scan.clean if scan.clean_on else "")
        evidence = tuple(filter(None, events))
        return Judged(
            "emission", "onboard system", outcome, detail, citation, "R", evidence=evidence
        )

    if model_year is not None and model_year < rules.first_year:
        return found("not tested", _say("model-year", year=rules.first_year), "40 CFR 85.2207")
    if scan is None:
        return found("not known", _say("never-read-out"), _SOCKET)
    if scan.clean_on is not None and _fails(scan, rules):
        told = _say("clean-since", day=scan.clean_on, then=scan.on)
        return found("not known", told, _SOCKET)
    if (today - scan.on).days > scan_days:
        return found("not known", _say("last-read-out", day=scan.on), _SOCKET)
    readiness = decode_readiness(scan.readiness) if scan.readiness else None
    if scan.lamp == "on" or (readiness is not None and readiness.lamp):
        codes = Joined(_pointing(code) for code in scan.codes)
        lamp = _say("lamp-for-codes", codes=codes) if codes else _say("lamp")
        points = tuple(part for code in scan.codes for part in told_code(code)[1])
        return replace(found("fail", lamp, "40 CFR 85.2207(c)"), points_to=points)
    if rules.fail_on_permanent and scan.permanent:
        return found("fail", _say("permanent-codes", number=scan.permanent), _STATE)
    if readiness is None:
        return found("not known", _say("readiness-not-read", day=scan.on), _SOCKET)
    outcome, detail, citation = _by_readiness(scan, readiness, model_year, fuel, rules)
    if outcome == "reject" and scan.driven_since > rules.just_cleared_km:
        again = _say("driven-since", day=scan.on, then=detail, km=scan.driven_since)
        return found("not known", again, citation)
    return found(outcome, detail, citation)


def _fails(scan: LastScan, rules: RuleSet) -> bool:
    """Whether a read-out fails by its lamp or by a permanent code."""
    lamp = scan.readiness is not None and decode_readiness(scan.readiness).lamp
    return scan.lamp == "on" or lamp or (rules.fail_on_permanent and scan.permanent > 0)


def _by_readiness(
    scan: LastScan,
    readiness: Readiness,
    model_year: int | None,
    fuel: str | None,
    rules: RuleSet,
) -> tuple[Outcome, Sentence, str]:
    """Return whether the monitors' readiness would do, why, and by which rule."""
    near = scan.km_since_clear
    if rules.least_km_since_clear and near is not None and near < rules.least_km_since_clear:
        return "reject", _say("cleared", km=near), _STATE
    if readiness.just_cleared and (near is None or near < rules.just_cleared_km):
        return "reject", _say("just-cleared"), _GUIDANCE
    number = len(readiness.not_ready)
    allowance = None if model_year is None else rules.allowance(model_year, fuel)
    if number and model_year is None:
        return "not known", _say("no-model-year", number=number), _GUIDANCE
    if number and allowance is None:
        return "not known", _say("no-rule", number=number), rules.title
    citation = allowance.citation if allowance else _SOCKET
    waiting = {"number": number, "monitors": _named(readiness)}
    if allowance is not None and number > allowance.not_ready:
        told = _say("too-many-not-ready", allowed=allowance.not_ready, **waiting)
        return "reject", told, citation
    return "pass", _say("not-ready", **waiting) if number else _say("none-not-ready"), citation


def _named(readiness: Readiness) -> Joined:
    return Joined(name.replace("_", " ") for name in readiness.not_ready)


def _pointing(code: str) -> str:
    parts = Joined(part_name(part) for part in told_code(code)[1][:2])
    return _say("code", trouble_code=code, parts=parts) if parts else code


def worst(outcomes: Iterable[Outcome]) -> Outcome:
    """Return what a vehicle's items come to together."""
    present = set(outcomes)
    return next((outcome for outcome in WORST_FIRST if outcome in present), "not known")


def _against_limit(item: Item, seen: Seen, known: KnownSizes) -> Judgement | None:
    """Judge the worst figure seen; None when nothing fitting was measured."""
    if not item.measurement:
        return None
    figures = []
    for value, unit in seen.values:
        try:
            figures.append((exact(value, unit, item.unit), value, unit))
        except UnitError:
            continue  # another thing measured at the same place
    if not figures:
        return None
    _exact, value, unit = min(figures) if item.direction == "min" else max(figures)
    table = item.sized
    size = None if table is None else known.size_for(table, seen.place)
    return judge(item, value, unit, size=size)


def _missing(item: Item, passed: Sequence[Seen]) -> list[str]:
    """Return places that must be looked at besides: one side seen asks for the other."""
    if any(s.place == "" for s in passed):
        return []
    places = {s.place for s in passed}
    # Written by axle number, as on a truck, how many there are is not on record.
    missing = [p for p in item.complete if p not in places] if places & set(item.complete) else []
    for component in dict.fromkeys(s.component for s in passed):
        own = [s.place for s in passed if s.component == component]
        for place in own:
            other = other_side(place)
            if other and other not in own and other not in missing:
                missing.append(part_name(component, other))
    return missing


def _judged(
    item: Item,
    outcome: Outcome,
    detail: str,
    seen: Iterable[Seen],
    failed: tuple[tuple[str, str], ...] = (),
) -> Judged:
    evidence = tuple(dict.fromkeys(s.event for s in seen))
    return Judged(item.key, item.name, outcome, detail, item.citation, item.mark, failed, evidence)


def _words(item: Item, seen: Seen) -> str:
    where = part_name(seen.component, seen.place)
    if seen.how != "looked":
        return _say(seen.how, part=where, day=seen.on)
    measured = _figures(seen)
    word = "measured" if measured and seen.condition != "failed" else seen.condition
    stated = item.limit is not None and measured
    limit = _say.when(stated, "limit", limit=item.limit, unit=item.unit)
    day = _say("on-a-day", day=seen.on)
    return Joined((where, _say(word), measured, limit, day, seen.note), by=" ")


def _figures(seen: Seen) -> Joined:
    return Joined(
        Sentence("figure", "{value:g} {unit}", value=value, unit=unit)
        for value, unit in seen.values
    )


def _passed_words(item: Item, passed: Sequence[Seen]) -> str:
    day = min(s.on for s in passed)
    measured = [s for s in passed if s.how == "looked" and s.values and item.measurement]
    if not measured:
        done = sorted({s.how for s in passed})
        return _say(f"passed-{'-or-'.join(done)}", day=day)
    everywhere = _say("everywhere")
    shown = Joined(Joined((s.place or everywhere, _figures(s)), by=" ") for s in measured)
    return Joined((shown, _say("on-a-day", day=day)), by=" ")
