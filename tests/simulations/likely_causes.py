"""Made shops with known causes: how often `likely-causes` names them, and how honest it is.

    python -m tests.simulations.likely_causes [SHOPS] [VEHICLES] [tidy|rough]

Each shop is made by chance: what causes there are on which class, which codes, words and findings
go with them and how often, what is tried first, what is written down and what is not, which
distance each cause keeps to. Its history of six years goes through the ledger like any other.
Then every vehicle comes in once more, with a fault of which only the picture is written down;
the cause stays with the generator. All in it is invented.

A rough shop is one as they are: a wrong part goes in and nobody comes back, or months later; codes
are erased and return; two things are wrong at once; other work is done the same day; words are
missing, general or misspelt; the cause is never written down; one vehicle has the same fault again
and again; the class of some is not known.
"""

import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from roadworn.model.catalogue import catalogue
from roadworn.model.events import NewEvent
from roadworn.testing import event, view_of
from roadworn_plugins.likely_causes.asking import Picture, learnt_from, pictures_of
from roadworn_plugins.likely_causes.chances import ONLY_CODES, Causes
from roadworn_plugins.likely_causes.pictures import band, open_facts
from roadworn_plugins.likely_causes.scoring import calibration_slope

START, TODAY = date(2020, 1, 6), date(2026, 1, 15)
CLASSES = ("van", "car", "bus", "pickup")
#: Causes that show alike, with the codes and words that they share.
FAMILIES: tuple[tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]], ...] = (
    (
        ("ignition.coil", "ignition.spark_plug", "fuel.injector", "engine.cover_gasket",
         "air.intake_gasket"),
        ("P0302", "P0300", "P0171"),
        ("shakes at idle", "jerks uphill", "stumbles when cold", "lamp flashes"),
    ),
    (
        ("emission.catalyst", "emission.oxygen_sensor", "emission.exhaust_manifold",
         "ignition.coil"),
        ("P0420", "P0135"),
        ("engine lamp came on", "down on power", "smells after a run", "loud underneath"),
    ),
    (
        ("electrical.battery", "electrical.alternator", "electrical.battery_cable",
         "electrical.starter", "engine.drive_belt"),
        ("P0562", "P0615"),
        ("would not crank this morning", "lights dim at idle", "only clicks", "squeals in rain"),
    ),
    (
        ("cooling.thermostat", "cooling.water_pump", "cooling.hose", "cooling.fan",
         "engine.head_gasket"),
        ("P0128", "P0217", "P0480"),
        ("gauge climbs on the hill", "coolant on the yard", "heater stays lukewarm",
         "sweet smell inside"),
    ),
    (
        ("wheel.bearing", "wheel.tire", "drivetrain.cv_axle", "brake.wheel_speed_sensor"),
        ("C0031",),
        ("hum that rises with speed", "vibrates above 50", "clicks in bends",
         "antilock lamp came on"),
    ),
    (
        ("steering.tie_rod_outer", "suspension.ball_joint", "suspension.strut",
         "suspension.stabilizer_link", "steering.rack"),
        (),
        ("steering feels loose", "knocks on small bumps", "wanders on the road",
         "bounces after a dip"),
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """How one cause shows in one shop: chances of code, words and finding; its distances."""

    cause: str
    codes: tuple[tuple[str, float], ...]
    words: tuple[tuple[str, float], ...]
    finding: float
    start: float


class Shop:
    """A shop made by chance."""

    def __init__(self, seed: int, vehicles: int) -> None:
        self.dice = np.random.default_rng(seed)
        self.faults: list[list[Fault]] = [list(self._family(family)) for family in FAMILIES]
        self.mix = {kind: self.dice.dirichlet(np.full(len(FAMILIES), 2.0)) for kind in CLASSES}
        self.within = {
            kind: [self.dice.dirichlet(np.full(len(f), 1.0)) for f in self.faults]
            for kind in CLASSES
        }
        self.vehicles = {
            f"v-{n:03d}": (CLASSES[n % len(CLASSES)], float(self.dice.uniform(2e3, 9e4)))
            for n in range(vehicles)
        }
        #: How far the shop goes in writing things down.
        self.diagnosed, self.scanned = self.dice.uniform(0.3, 0.8), self.dice.uniform(0.6, 0.95)
        self.wrong_first = self.dice.uniform(0.1, 0.35)
        self.truth: dict[str, str] = {}

    def _family(self, family: tuple[tuple[str, ...], ...]) -> Iterator[Fault]:
        causes, codes, words = family
        for cause in causes:
            code = self.dice.dirichlet(np.full(max(len(codes), 1), 0.6)) * self.dice.uniform(0.4, 1)
            said = self.dice.dirichlet(np.full(len(words), 0.5)) * self.dice.uniform(0.7, 1.6)
            yield Fault(
                cause,
                tuple(zip(codes, code.tolist(), strict=False)),
                tuple(zip(words, np.minimum(said, 0.95).tolist(), strict=True)),
                self.dice.uniform(0.0, 0.5),
                self.dice.choice([0.0, 3e4, 6e4, 9e4]),
            )

    def events(self) -> list[NewEvent]:
        """Return six years of the shop, and what is open today."""
        made: list[NewEvent] = []
        for name, (kind, miles) in self.vehicles.items():
            made += self._life(name, kind, miles)
        return made

    def _life(self, name: str, kind: str, miles: float) -> list[NewEvent]:
        pace = float(self.dice.uniform(15.0, 60.0))
        made = [
            event(name, "enrolment", START.isoformat(), odometer=round(miles), vehicle_class=kind)
        ]
        day = START
        while True:
            day += timedelta(days=int(self.dice.exponential(230.0)) + 100)
            if day > TODAY - timedelta(days=130):
                break
            made += self._fault(name, kind, day, miles + pace * (day - START).days, pace)
        now = miles + pace * (TODAY - START).days
        fault = self._draw(kind, now)
        self.truth[name] = fault.cause
        made += self._shown(name, fault, TODAY, now)
        return made

    def _draw(self, kind: str, miles: float) -> Fault:
        while True:
            f = int(self.dice.choice(len(FAMILIES), p=self.mix[kind]))
            i = int(self.dice.choice(len(self.faults[f]), p=self.within[kind][f]))
            if miles >= self.faults[f][i].start or self.dice.random() < 0.3:
                return self.faults[f][i]

    def _said(self, fault: Fault) -> str:
        words = [word for word, share in fault.words if self.dice.random() < share]
        if self.dice.random() < 0.2:
            words.append(str(self.dice.choice(("please call first", "noise", "radio is fine"))))
        return ", ".join(words)

    def _shown(
        self, name: str, fault: Fault, day: date, miles: float, **more: Any
    ) -> list[NewEvent]:
        """Return what is written down when it comes in; at least one thing is."""
        at: dict[str, Any] = {"odometer": round(miles)}
        made: list[NewEvent] = []
        while not made:
            said = self._said(fault)
            if said:
                made.append(event(name, "complaint", f"{day}", complaint=said, **at, **more))
            codes = [code for code, share in fault.codes if self.dice.random() < share]
            if codes and self.dice.random() < self.scanned:
                made.append(_scan(name, day, codes, at))
        if self.dice.random() < fault.finding:
            found = [{"component": fault.cause, "condition": "wearing"}]
            made.append(event(name, "inspection", f"{day}", findings=found, **at))
        return made

    def _fault(self, name: str, kind: str, day: date, miles: float, pace: float) -> list[NewEvent]:
        fault = self._draw(kind, miles)
        told: dict[str, str] = {}
        wrong = self.dice.random() < self.wrong_first
        if not wrong and self.dice.random() < self.diagnosed:
            told = {"component": fault.cause, "cause": "found at its end", "correction": "done"}
        made = self._shown(name, fault, day, miles, **told)
        codes = [code.code for one in made if one.kind == "scan" for code in _codes(one)]
        at: dict[str, Any] = {"odometer": round(miles)}
        if wrong:
            family = next(f for f in self.faults if fault in f)
            other = str(self.dice.choice([f.cause for f in family if f.cause != fault.cause]))
            reason = str(self.dice.choice(("failed", "unknown")))
            made.append(_fitted(name, day, other, reason, at))
            day += timedelta(days=int(self.dice.integers(8, 30)))
            at = {"odometer": round(miles + pace * 20)}
            if codes:
                made.append(_scan(name, day, codes, at))
            else:
                said = self._said(fault) or fault.words[0][0]
                made.append(event(name, "complaint", f"{day}", complaint=said, **at))
        made.append(_fitted(name, day, fault.cause, "failed", at))
        if codes and self.dice.random() < 0.7:
            later = day + timedelta(days=int(self.dice.integers(20, 90)))
            made.append(_scan(name, later, [], {"odometer": round(miles + pace * 95)}))
        return made


#: Work that has nothing to do with what was asked, with its reason.
BESIDE = (
    *(("body.wiper_blade", "worn_out"), ("engine.oil", "preventive"), ("wheel.tire", "worn_out")),
    *(("brake.pad", "worn_out"), ("lighting.headlamp", "failed"), ("suspension.strut", "failed")),
    *(("electrical.battery", "failed"), ("hvac.cabin_filter", "preventive")),
)
VAGUE = ("engine lamp on", "please check", "service", "makes a noise", "not right since Monday")


class RoughShop(Shop):
    """A shop as they are; how rough is made by chance too."""

    def __init__(self, seed: int, vehicles: int) -> None:
        super().__init__(seed, vehicles)
        rough = np.random.default_rng((seed, 7))
        self.diagnosed = float(rough.choice([0.0, 0.1, 0.4]))
        self.scanned = float(rough.uniform(0.4, 0.9))
        self.wrong_first = float(rough.uniform(0.15, 0.45))
        #: Of wrong parts: nobody came back, or came back late.
        self.lost, self.late = float(rough.uniform(0.05, 0.3)), float(rough.uniform(0.1, 0.4))
        self.two, self.beside = float(rough.uniform(0.03, 0.15)), float(rough.uniform(0.1, 0.6))
        self.wordless, self.erased = float(rough.uniform(0.1, 0.4)), float(rough.uniform(0.2, 0.6))
        self.prone = {
            name: self._draw(kind, miles + 4e4)
            for name, (kind, miles) in self.vehicles.items()
            if rough.random() < 0.1
        }
        self.unclassed = {name for name in self.vehicles if rough.random() < 0.1}
        self._at = ""

    def events(self) -> list[NewEvent]:
        """Return six years of the shop, each work written down once."""
        once: dict[tuple[object, ...], NewEvent] = {}
        for one in super().events():
            what = one.payload if one.kind != "replacement" else one.payload["component"]
            once[one.vehicle_id, one.occurred_at, one.kind, str(what)] = one
        return list(once.values())

    def _life(self, name: str, kind: str, miles: float) -> list[NewEvent]:
        self._at = name
        made = super()._life(name, kind, miles)
        if name in self.unclassed:
            bare = {k: v for k, v in made[0].payload.items() if k != "vehicle_class"}
            made[0] = made[0].model_copy(update={"payload": bare})
        return made

    def _draw(self, kind: str, miles: float) -> Fault:
        own = getattr(self, "prone", {}).get(getattr(self, "_at", ""))
        if own is not None and self.dice.random() < 0.5:
            return own
        return super()._draw(kind, miles)

    def _said(self, fault: Fault) -> str:
        if self.dice.random() < self.wordless:
            return str(self.dice.choice(VAGUE)) if self.dice.random() < 0.5 else ""
        said = super()._said(fault)
        if len(said) > 12 and self.dice.random() < 0.1:
            at = int(self.dice.integers(1, len(said) - 1))
            said = said[:at] + said[at + 1 :]
        return said

    def _shown(
        self, name: str, fault: Fault, day: date, miles: float, **more: Any
    ) -> list[NewEvent]:
        made = super()._shown(name, fault, day, miles, **more)
        if self.dice.random() < self.two:
            other = self._draw(self.vehicles[name][0], miles)
            made += super()._shown(name, other, day, miles)
            self._second = other
        return made

    def _fault(self, name: str, kind: str, day: date, miles: float, pace: float) -> list[NewEvent]:
        self._second: Fault | None = None
        fault = self._draw(kind, miles)
        wrong = self.dice.random() < self.wrong_first
        told: dict[str, str] = {}
        if self.dice.random() < self.diagnosed:
            family = next(f for f in self.faults if any(one.cause == fault.cause for one in f))
            named = str(self.dice.choice([f.cause for f in family])) if wrong else fault.cause
            told = {"component": named, "cause": "found", "correction": "done"}
        made = self._shown(name, fault, day, miles, **told)
        second = self._second
        codes = [code.code for one in made if one.kind == "scan" for code in _codes(one)]
        at: dict[str, Any] = {"odometer": round(miles)}
        if self.dice.random() < self.beside:
            part, reason = BESIDE[int(self.dice.integers(len(BESIDE)))]
            made.append(_fitted(name, day, part, reason, at))
        if second is not None and self.dice.random() < 0.8:
            made.append(_fitted(name, day, second.cause, "failed", at))
        if wrong:
            family = next(f for f in self.faults if any(one.cause == fault.cause for one in f))
            other = str(self.dice.choice([f.cause for f in family if f.cause != fault.cause]))
            made.append(_fitted(name, day, other, "failed", at))
            if codes and self.dice.random() < self.erased:
                made.append(_scan(name, day + timedelta(days=1), [], at))
            if self.dice.random() < self.lost:
                return made
            late = self.dice.random() < self.late
            wait = int(self.dice.integers(70, 100) if late else self.dice.integers(8, 30))
            day += timedelta(days=wait)
            at = {"odometer": round(miles + pace * wait)}
            made += self._shown(name, fault, day, miles + pace * wait)
        made.append(_fitted(name, day, fault.cause, "failed", at))
        if codes and self.dice.random() < 0.5:
            later = day + timedelta(days=int(self.dice.integers(5, 90)))
            made.append(_scan(name, later, [], {"odometer": at["odometer"] + 900}))
        return made


@dataclass(frozen=True)
class _Code:
    code: str


def _codes(one: NewEvent) -> list[_Code]:
    return [_Code(c["code"]) for m in one.payload["modules"] for c in m.get("codes", [])]


def _scan(name: str, day: date, codes: list[str], at: dict[str, Any]) -> NewEvent:
    listed = [{"code": code, "status": "stored"} for code in codes]
    return event(name, "scan", f"{day}", modules=[{"name": "engine", "codes": listed}], **at)


def _fitted(name: str, day: date, part: str, reason: str, at: dict[str, Any]) -> NewEvent:
    return event(name, "replacement", f"{day}", component=part, reason=reason, **at)


def asked(shop: Shop) -> tuple[Causes, list[tuple[Picture, str]]]:
    """Return what is learnt from a shop, and each open picture with its true cause."""
    with (
        tempfile.TemporaryDirectory() as folder,
        view_of(shop.events(), Path(folder), as_of=TODAY.isoformat()) as view,
    ):
        causes, _ledgered = learnt_from(view)
        far = dict(view.sql("SELECT vehicle_id, last_km FROM vehicles").rows)
        kinds = dict(view.sql("SELECT vehicle_id, vehicle_class FROM vehicles").rows)
        opened = open_facts(view, None)
    found = []
    for name, seen in opened.items():
        kind = kinds[name] or ""
        pictures = pictures_of(causes, name, kind, seen, band(far[name]))
        if pictures:
            # An older fault may be open beside the one of today.
            of_today = max(pictures, key=lambda p: sum(one.on == TODAY for one in p.seen))
            found.append((of_today, shop.truth[name]))
    return causes, found


def main(shops: int = 8, vehicles: int = 240, setting: str = "tidy") -> None:
    """Print the table that stands in the README of the analysis."""
    known = [component.id for component in catalogue()]
    print("shop  cases  asked   base   code    all  first  three  three of 10+  slope")
    made, true, log = [], [], defaultdict[str, list[float]](list)
    for seed in range(1, shops + 1):
        causes, pictures = asked((RoughShop if setting == "rough" else Shop)(seed, vehicles))
        index = {name: i for i, name in enumerate(causes.names)}
        assert set(known) <= set(index)
        own: dict[str, list[float]] = defaultdict(list)
        chances, at = [], []
        for picture, cause in pictures:
            i = index[cause]
            codes = [fact for fact in picture.facts if fact.startswith("code:")]
            alone = causes.chances(codes, picture.kind, weights=ONLY_CODES)
            own["base"].append(float(np.log(causes.base(picture.kind)[i])))
            own["code"].append(float(np.log(alone[i])))
            own["all"].append(float(np.log(picture.chances[i])))
            rank = int(np.sum(picture.chances > picture.chances[i]))
            own["first"].append(float(rank < 1))
            own["three"].append(float(rank < 3))
            if len(picture.like) >= 10:
                own["often"].append(float(rank < 3))
            chances.append(picture.chances)
            at.append(i)
        made += chances
        true += at
        slope = calibration_slope(np.array(chances), np.array(at))
        for key, values in own.items():
            log[key] += values
        _print(str(seed), len(causes.cases), own, slope)
    _print("all", 0, log, calibration_slope(np.array(made), np.array(true)))


def _print(name: str, cases: int, own: dict[str, list[float]], slope: float | None) -> None:
    mean = {key: float(np.mean(values)) for key, values in own.items()}
    print(
        f"{name:>4} {cases:6d} {len(own['all']):6d} {mean['base']:6.2f} {mean['code']:6.2f} "
        f"{mean['all']:6.2f} {mean['first']:6.1%} {mean['three']:6.1%} "
        f"{mean.get('often', float('nan')):8.1%} ({len(own['often'])}) {slope or float('nan'):6.2f}"
    )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]), *sys.argv[3:])
