"""What is known of a vehicle, and what is ahead of it: what every way of going on rests on.

Read once, for one vehicle or for all: the fleet's list asks the same of each vehicle as the answer
for that vehicle does, so that both say one figure.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from roadworn.columns.view import LedgerView
from roadworn_plugins.ahead.due_now import DueItem, due_now, not_failed
from roadworn_plugins.ahead.open_facts import parts_today
from roadworn_plugins.inspection.judged import InspectionOutlookSettings, told_of
from roadworn_plugins.inspection.tables import Told
from roadworn_plugins.keep.jobs import LIKELY, Job, Known, Stage, rows_of, stopping, with_part
from roadworn_plugins.keep.options import Facts, KeepOrSellSettings, Valuations, Worth
from roadworn_plugins.keep.plan import SOON_MONTHS, plan_of
from roadworn_plugins.likely_causes.asking import Picture, open_pictures
from roadworn_plugins.likely_causes.chain import Chain, chains_of
from roadworn_plugins.likely_causes.chances import Causes
from roadworn_plugins.likely_causes.words import trade_words
from roadworn_plugins.shared.costs_ahead import Band, expected_cost, money
from roadworn_plugins.shared.grouped import Floats, Ints
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.projected import Projection, project, project_months
from roadworn_plugins.wear.chances import MeasuredParts

_DAYS_PER_MONTH = 365.25 / 12


def renewed(parts: PartsAhead, rows: Ints, spared: Ints, asked: Ints) -> PartsAhead:
    """Return the parts with some of them new today.

    Args:
        parts: what is fitted.
        rows: those that are new.
        spared: those whose failures had a cause that is put right: the record of their place
            speaks for them no longer.
        asked: those that the work was about: what was open of them is answered.
    """
    known, age, effect = parts.known.copy(), parts.age.copy(), parts.effect.copy()
    known[rows], age[rows] = True, 0.0
    effect[spared] = np.minimum(effect[spared], parts.vehicle_effect[spared])
    facts = parts.facts
    if facts is not None:
        facts = facts.without(np.union1d(asked, spared))
    return replace(parts, known=known, age=age, effect=effect, facts=facts)


@dataclass(frozen=True, eq=False)
class TimeAhead:
    """The fitted parts of one vehicle over the horizon.

    Attributes:
        parts: what is fitted.
        months: the horizon.
        measured: what of it wears by its own measurements.
        found: months -> projection as it stands.
        fine: parts that are not found failed.
    """

    parts: PartsAhead
    months: int
    measured: MeasuredParts
    found: dict[float, Projection]
    fine: Ints

    @classmethod
    def of(
        cls, parts: PartsAhead, measured: MeasuredParts, due: list[DueItem], months: int
    ) -> "TimeAhead":
        """Project the parts to the horizon, and to the sooner one of what should be done now."""
        sooner = SOON_MONTHS
        ends = sorted({float(months), sooner})
        worn = [measured.chances(m) for m in ends]
        found = project_months(parts, ends, measured=worn)
        return cls(parts, months, measured, found, not_failed(parts, due))

    def worn_by(self, months: float) -> Floats:
        """Return the chance of each part that its measured wear has it replaced by then."""
        chance = np.zeros(self.parts.size)
        if months > 0.0:
            weight = self.found[float(self.months)].weight
            for i, by_node in self.measured.chances(months).items():
                chance[i] = float(by_node[0] @ weight)  # below it stand its limits
        return chance

    def with_done(self, jobs: Sequence[Job]) -> "After":
        """Return what is ahead once these jobs are done."""
        done = {i for job in jobs if job.chance >= LIKELY for i in rows_of(self.parts, job)}
        rows = np.array(sorted(done), dtype=np.int64)
        parts, found = self.parts, self.found[float(self.months)]
        if rows.size:
            asked = {i for job in jobs for i in rows_of(self.parts, job)}
            parts = renewed(parts, rows, self._spared(jobs), np.array(sorted(asked)))
            worn = self.measured.chances(self.months)
            left = {i: chances for i, chances in worn.items() if i not in done}
            found = project(parts, self.months, measured=left)
        ahead = np.union1d(self.fine, rows)
        return After(parts, found, ahead)

    def _spared(self, jobs: Sequence[Job]) -> Ints:
        """Return the parts that something brings down which these jobs put right."""
        brings = trade_words().brings_down
        below = {name for job in jobs for name in brings.get(job.component, ())}
        rows = [i for i, component in enumerate(self.parts.component) if component in below]
        return np.array(rows, dtype=np.int64)

    def likely(self, jobs: Sequence[Job]) -> list[Job]:
        """Return jobs for the parts that are likely to fail within the horizon, in no plan yet."""
        planned = {i for job in jobs for i in rows_of(self.parts, job)}
        chance = self.found[float(self.months)].chance
        return [
            Job(
                self.parts.component[i],
                self.parts.position[i],
                Stage.CAN_WAIT,
                "",
                "",
                with_part(self.parts.price[i]),
                1.0,
                tuple(filter(None, (self.parts.started_by[i],))),
            )
            for i in self.fine.tolist()
            if i not in planned and chance[i] >= LIKELY
        ]

    def worn_out(self, job: Job) -> bool:
        """Whether the part of a job is likely to fail within the horizon."""
        chance = self.found[float(self.months)].chance
        return any(chance[i] >= LIKELY for i in rows_of(self.parts, job))


@dataclass(frozen=True, eq=False)
class After:
    """What is ahead of a vehicle after some work: its parts, their projection, those that count."""

    parts: PartsAhead
    found: Projection
    ahead: Ints

    def repairs(self, *, band: bool = True) -> Band:
        """Return what repairs cost over the horizon; without its band that is sooner done."""
        if band:
            return money(self.parts, self.found, self.ahead)
        cost = expected_cost(self.parts, self.found, self.ahead)
        return Band(cost, cost, cost)

    def standing_still(self, left: Sequence[Job]) -> float:
        """Return the chance that the vehicle stands still within the horizon.

        At least one part fails so that it stops, at the distances and hazards that all parts
        share; what is left failed counts like a failure, and so does an open cause, by its chance,
        of which no fitted part is known.

        Args:
            left: jobs that are not done.
        """
        stops = stopping()
        rows = np.array([i for i in self.ahead if self.parts.component[i] in stops], dtype=np.int64)
        share = np.array([stops[self.parts.component[i]] for i in rows], dtype=np.float64)
        stays = np.array([np.prod(1.0 - share * c.at_least_one()[rows]) for c in self.found.counts])
        runs = float(self.found.weight @ stays)
        for job in left:
            # What is not found failed has today's chance among the parts already.
            known = not job.failed and bool(rows_of(self.parts, job))
            if job.component in stops and not known and (job.failed or job.chance < 1.0):
                runs *= 1.0 - stops[job.component] * job.chance
        return 1.0 - runs


@dataclass(frozen=True, eq=False)
class Case:
    """All that the answer for one vehicle is made from.

    `official` is whether the result of an official inspection is on record.
    """

    settings: KeepOrSellSettings
    vehicle: str
    parts: PartsAhead
    due: list[DueItem]
    jobs: list[Job]
    told: Told | None
    time: TimeAhead
    worth: Worth
    usual: float
    facts: Facts
    official: bool

    @property
    def must_pass(self) -> bool:
        """Whether an inspection has to be passed within the horizon."""
        said, facts = self.settings.must_pass, self.facts
        if said is not None:
            return said
        return facts.asked and (bool(facts.inspected_by) or self.official)

    @property
    def currency(self) -> str:
        """Currency of all figures."""
        return self.worth.currency or self.parts.prices.currency

    @property
    def rate(self) -> float | None:
        """Price of an hour of the shop."""
        return self.parts.prices.labour_rate


@dataclass(frozen=True, eq=False)
class Cases:
    """All that the cases of one vehicle, or of each of a fleet, are made from, read once.

    Attributes:
        view: the ledger as of a day.
        settings: those of `keep-or-sell`.
        parts: what is fitted.
        rows: vehicle -> its parts.
        due: vehicle -> what is due on it.
        measured: what of the parts wears by its own measurements.
        facts: vehicle -> what it is, is for, and where it is inspected.
        told: vehicle -> what its next inspection would say.
        causes: what was learnt of causes.
        pictures, chains: vehicle -> what is open on it, and what stands behind that.
        valuations: of all.
    """

    view: LedgerView
    settings: KeepOrSellSettings
    parts: PartsAhead
    rows: Mapping[str, Ints]
    due: Mapping[str, list[DueItem]]
    measured: MeasuredParts
    facts: Mapping[str, Facts]
    told: Mapping[str, Told]
    causes: Causes
    pictures: Mapping[str, list[Picture]]
    chains: Mapping[str, list[Chain]]
    valuations: Valuations

    @classmethod
    def load(
        cls, view: LedgerView, settings: KeepOrSellSettings, vehicle: str | None = None
    ) -> "Cases":
        """Read one vehicle, or all that are here."""
        parts = parts_today(view, vehicle)
        rows = defaultdict[str, list[int]](list)
        for i, name in enumerate(parts.vehicle):
            rows[name].append(i)
        due = defaultdict[str, list[DueItem]](list)
        for item in due_now(view, parts.prices, vehicle):
            due[item.vehicle].append(item)
        facts = Facts.load(view, settings)
        by_rules = settings.inspected_by
        rules = by_rules if by_rules and any(one.asked for one in facts.values()) else ""
        asked = InspectionOutlookSettings(vehicle=vehicle, rules=rules)
        told = (
            told_of(view, asked)
            if any(facts[name].asked for name in ([vehicle] if vehicle else facts) if name in facts)
            else ()
        )
        causes, open_ = open_pictures(view, vehicle)
        pictures = defaultdict[str, list[Picture]](list)
        for picture in open_:
            pictures[picture.vehicle].append(picture)
        chains = defaultdict[str, list[Chain]](list)
        for chain in chains_of(view, causes, open_, vehicle):
            chains[chain.vehicle].append(chain)
        return cls(
            view,
            settings,
            parts,
            {name: np.array(own, dtype=np.int64) for name, own in rows.items()},
            due,
            MeasuredParts.load(view, parts),
            facts,
            {one.vehicle.name: one for one in told},
            causes,
            pictures,
            chains,
            Valuations.load(view),
        )

    def of(self, vehicle: str) -> Case:
        """Return all that the answer for one vehicle is made from."""
        settings, facts = self.settings, self.facts.get(vehicle, Facts("", "", ""))
        rows = self.rows.get(vehicle, np.zeros(0, dtype=np.int64))
        parts, due = self.parts.take(rows), self.due.get(vehicle, [])
        time = TimeAhead.of(parts, self.measured.take(rows, parts), due, settings.months)
        told = self.told.get(vehicle) if facts.asked else None
        ends = told.vehicle.due if told is not None else None
        until = (ends - self.view.today).days / _DAYS_PER_MONTH if ends is not None else 0.0
        known = Known(
            parts,
            time.found[SOON_MONTHS].chance,
            time.worn_by(until),
            parts.prices,
            due,
            self.causes,
            self.pictures.get(vehicle, []),
            told,
            facts.use,
            self.chains.get(vehicle, []),
        )
        pace = float(parts.paces.per_month[parts.car[0]]) if parts.size else 0.0
        kind, currency = facts.kind, parts.prices.currency
        worth = self.valuations.worth(vehicle, kind, settings.value, currency, pace)
        usual = usual_repairs(self.view, kind, currency)
        jobs = plan_of(vehicle, kind, known)
        official = told is not None and bool(told.vehicle.officials)
        return Case(
            *(settings, vehicle, parts, due, jobs, told, time, worth, usual, facts),
            official=official,
        )


def usual_repairs(view: LedgerView, kind: str, currency: str) -> float:
    """Return what vehicles of a class have cost in failed parts a year, on the mean.

    Over the last two years and the vehicles seen in them; 0 where nothing is on record.
    """
    return view.kept((usual_repairs, currency), lambda: _usual_repairs(view, currency))[kind]


def _usual_repairs(view: LedgerView, currency: str) -> dict[str, float]:
    rows = view.sql(
        """WITH spent AS (
             SELECT vehicle_id, sum(total_cost) AS amount FROM replacements
             WHERE reason IN ('failed', 'worn_out') AND currency = ?
               AND occurred_on > CAST(? AS DATE) - 731
             GROUP BY vehicle_id)
           SELECT v.vehicle_class,
                  sum(greatest(date_diff('day', greatest(v.enrolled_on, CAST(? AS DATE) - 731),
                                         coalesce(v.retired_on, v.last_seen_on)), 0)) / 365.25,
                  CAST(sum(s.amount) AS DOUBLE)
           FROM vehicles AS v LEFT JOIN spent AS s USING (vehicle_id)
           GROUP BY v.vehicle_class ORDER BY v.vehicle_class""",
        (currency, view.today.isoformat(), view.today.isoformat()),
    ).rows
    found = defaultdict[str, float](float)
    found.update(
        {kind: float(spent) / float(years) for kind, years, spent in rows if years and spent}
    )
    return found
