"""What came of the signs of the past: the cases that a fact open today is weighed by.

Beside them stands what share of all failures had been announced so, since parts without a sign
fail the less for it.
"""

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np

from roadworn.columns.kept import Codec
from roadworn.columns.view import LedgerView
from roadworn_plugins.ahead.sign_reading import Sign, SignReading
from roadworn_plugins.lifedata import Floats
from roadworn_plugins.lifedata.cure import Cure, CurePrior, Signs

#: What is thought of each kind before its cases: share that announce a failure, and months to it
#: (common practice, no source).
PRIORS = {
    "wearing": CurePrior(0.5, 1.0, 9.0, 0.7, (1.0, 1.5, 2.2)),
    "stored": CurePrior(0.6, 1.0, 3.0, 0.7),
    "pending": CurePrior(0.5, 1.0, 3.0, 0.7),
    "said": CurePrior(0.6, 1.0, 2.0, 0.7),
    "upstream": CurePrior(0.1, 1.0, 9.0, 0.7),
}
#: How near a component, or what a code points to, is to its kind.
_NEAR = (0.7, 0.4)
#: Failures that the share of all components counts for beside a component's own, and that none
#: were announced counts for beside all.
_HELD, _HELD_ALL = 8.0, 12.0
_YEAR = 12.0


@dataclass(frozen=True, eq=False)
class SignLaws:
    """What the signs of a ledger came to.

    Attributes:
        signs: all of them, by kind.
        cures: kind -> what its cases allow.
        groups: kind -> component -> its group.
        looked: vehicle -> day of the latest look.
        announced: component -> months before each failure that a sign had stood, none as 0.
        open_share: component -> share of its time that a sign stands open.
    """

    signs: dict[str, list[Sign]]
    cures: dict[str, Cure]
    groups: dict[str, dict[str, int]]
    looked: dict[str, int]
    announced: dict[str, Floats]
    open_share: dict[str, float]
    _usual: dict[str, Floats] = field(default_factory=dict)
    _cases: dict[str, dict[str | None, tuple[int, int]]] = field(default_factory=dict)

    @classmethod
    def of(cls, view: LedgerView) -> "SignLaws | None":
        """Return those of a view, learnt once; None where no sign is on record."""

        def learnt() -> SignLaws | None:
            return view.kept_while("sign laws", None, lambda: _learnt(view), _KEPT)

        return view.kept(("sign laws",), learnt)

    def group(self, kind: str, component: str) -> int:
        """Return the group of a component among a kind; the last where it has no case."""
        return self.groups[kind].get(component, len(self.groups[kind]))

    def cases(self, kind: str, component: str | None = None) -> tuple[int, int]:
        """Return of how many signs it is known what came within a year, and how many failed.

        Args:
            kind: of sign.
            component: that it is about; None for all.
        """
        if kind not in self._cases:
            counted: dict[str | None, list[int]] = {None: [0, 0]}
            for sign in self.signs[kind]:
                if sign.ended not in ("", "done") or sign.months > _YEAR:
                    failed = sign.ended == "failed" and sign.months <= _YEAR
                    for one in (None, sign.group):
                        found = counted.setdefault(one, [0, 0])
                        found[0] += 1
                        found[1] += failed
            self._cases[kind] = {one: (n, failed) for one, (n, failed) in counted.items()}
        return self._cases[kind].get(component, (0, 0))

    def unannounced(self, component: str, months: Floats) -> Floats:
        """Return how much less parts without a sign fail than all do, for each time ahead.

        Of the failures within the time, those whose sign stood on the day: a sign that stood for
        t months before its failure is seen from a share min(t, h) / h of the days that have the
        failure within h months.
        """
        if "" not in self._usual:
            self._usual[""] = _seen_from(
                np.concatenate([np.zeros(0), *self.announced.values()]), _HELD_ALL
            )
        if component not in self._usual:
            own = self.announced.get(component, np.zeros(0))
            seen = _seen_from(own, _HELD, self._usual[""])
            stands = self.open_share.get(component, 0.0)
            self._usual[component] = np.minimum((1.0 - seen) / (1.0 - stands), 1.0)
        return np.interp(np.log(np.maximum(months, 1e-6)), _LOG_AHEAD, self._usual[component])


_KEPT = Codec((SignLaws, Sign, Cure))

#: Months ahead for which the share of announced failures is worked out.
_AHEAD = np.geomspace(0.25, 60.0, 32)
_LOG_AHEAD = np.log(_AHEAD)


def _seen_from(before: Floats, held: float, towards: Floats | float = 0.0) -> Floats:
    """Return the share of failures whose sign stood on the day, for each of `_AHEAD`."""
    stood = before[before > 0.0]
    seen = np.minimum(stood[:, None], _AHEAD[None, :]).sum(axis=0) / _AHEAD
    return np.asarray((seen + held * towards) / (before.size + held))


def _learnt(view: LedgerView) -> SignLaws | None:
    read = SignReading(view)
    found: dict[str, list[Sign]] = {kind: [] for kind in PRIORS}
    for sign in (*read.runs(), *read.codes(), *read.complaints()):
        found[sign.kind].append(sign)
    if not any(found.values()):
        return None
    rates = read.rates()
    cures, groups = {}, {}
    for kind, signs in found.items():
        names = {name: i for i, name in enumerate(sorted({sign.group for sign in signs}))}
        groups[kind] = names
        usual = [
            rates.at_place(sign.group)
            if kind == "wearing"
            else sum(rates.on_vehicle(name) for name in sign.targets)
            for sign in signs
        ]
        cures[kind] = Cure.fit(
            Signs(
                np.array([sign.months for sign in signs]),
                np.array([sign.ended == "failed" for sign in signs], dtype=bool),
                np.array([sign.ended == "gone" for sign in signs], dtype=bool),
                np.array(usual),
                np.array([names[sign.group] for sign in signs], dtype=np.int64),
            ),
            len(names),
            PRIORS[kind],
            _NEAR,
        )
    announced = read.announced()
    stood: dict[str, float] = defaultdict(float)
    for sign in found["wearing"]:
        stood[sign.group] += sign.months
    return SignLaws(
        found,
        cures,
        groups,
        {name: days[-1] for name, days in read.looks.items()},
        announced,
        {c: min(months / rates.exposure(c), 0.5) for c, months in stood.items()},
    )
