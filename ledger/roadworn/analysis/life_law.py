"""The law of a component's lives: wear beside early failure, and what differs between vehicles.

Real histories are not one Weibull. Some parts fail soon after they were fitted (a bad part, a bad
fit), the rest wear out; some vehicles are hard on all their parts; a place may have a cause of its
own. One curve through all of that promises too little where it counts. So the survival of a part
of age t is

    S(t) = (1 - p F1(t)) exp(-z rate t^k)

the generalised limited failure population of Chan and Meeker (IEEE Trans. Reliability 48 (1999))
with an exponential F1, the rate of each class a Gamma belief, the shape k averaged over a grid
that carries its uncertainty, and z the effect of vehicle and place.

Here stands what a life model is handed and what it gives back; how the law is fitted is the life
model's, and the bundled one is in `roadworn_plugins.projection.fit_laws`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from roadworn.model.errors import PluginFailure

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Nodes that stand for the belief about the shape.
SHAPES = 7
# Failures that all classes together count for where a class was never seen, and the least that a
# belief rests on, so that no rate is 0 or endless.
_WIDER = 3.0
_LEAST = 1e-6
# Failures that what is held of the early law beforehand counts for.
_EARLY_HELD = 1.0


@dataclass(frozen=True, eq=False)
class Lives:
    """Lives of one component, one entry a life, ages in one unit.

    Attributes:
        group: class of each, 0 to `classes` - 1.
        entry, leaving: age at which it came under watch, and at failure or the last look.
        failed: whether it failed.
        early: whether the record says that it came back: an early failure by its cause.
        effect: multiplier of its wear hazard (vehicle and place).
        classes: number of classes.
        weight: of each, 1 but for the ages that one life of unknown age may have had.
    """

    group: Ints
    entry: Floats
    leaving: Floats
    failed: Bools
    early: Bools
    effect: Floats
    classes: int
    weight: Floats = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        """Let each life count once where nothing else is said."""
        if self.weight.size != self.group.size:
            object.__setattr__(self, "weight", np.ones(self.group.size))

    def take(self, rows: Bools) -> "Lives":
        """Return these lives only."""
        names = ("group", "entry", "leaving", "failed", "early", "effect", "weight")
        return replace(self, **{name: getattr(self, name)[rows] for name in names})


@dataclass(frozen=True)
class Prior:
    """What is held of a component before any of its lives is seen.

    Attributes:
        shape, shape_spread: of the wear law, and the standard deviation of its logarithm.
        middle: median life by the trade, None where no range is known.
        weight: failures that the trade range, or other shops, count for.
        level: what the exposure they count for is taken times; see `rate`.
        early_share, early_spread: logit of the share that fails early, and its spread.
        early_mean, early_mean_spread: logarithm of the mean early life, and its spread.
    """

    shape: float
    shape_spread: float
    middle: float | None
    weight: float = 1.0
    level: float = 1.0
    early_share: float = -3.0
    early_spread: float = 1.5
    early_mean: float = 0.7
    early_mean_spread: float = 0.7

    def rate(self, shapes: Floats) -> tuple[float, Floats]:
        """Return failures and exposure, one for each shape, that is held beforehand.

        A Gamma(1, b) rate has its median at log(2) / b, so with b = middle^k the median life is
        the middle of a trade range. Lives of other shops say how often such parts failed at the
        ages that were seen there: `middle` is a typical one of these and `level` the hazard up
        to it, inverted, so that another shape says the same of these ages.
        """
        if self.middle is None:
            return 0.5, np.zeros(shapes.size)
        return self.weight, self.weight * self.level * self.middle**shapes

    @property
    def life(self) -> float | None:
        """The age at which the cumulative hazard is 1 at the likeliest shape."""
        return None if self.middle is None else self.level ** (1.0 / self.shape) * self.middle


@dataclass(frozen=True, slots=True)
class Pooled:
    """What the pool says of a component, and how far this shop differs from it.

    Attributes:
        shops, failures: other shops that it rests on, and their failures by wear.
        trade_class: of their vehicles.
        shape: of wear.
        half: age by which half are gone, for a shop of which nothing is known.
        spread: standard deviation of the logarithm of the rate among shops.
        weight: failures that it counts for here.
        level: how often parts fail here against elsewhere by all other components; the belief
            about this one is moved so far.
        like: chance that this shop is like the others in this component.
        failed, expected: failures of this shop, early ones apart, and those by the others' lives.
        ratio, low, high: this shop's failures over those expected by the others', with exact 95 %
            limits as if these were known; None where it has no exposure.
    """

    shops: int
    failures: int
    trade_class: str
    shape: float
    half: float
    spread: float
    weight: float
    level: float
    like: float
    failed: int
    expected: float
    ratio: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, eq=False)
class Wear:
    """The belief about wear, one entry a shape unless said otherwise.

    Attributes:
        shapes: Weibull shapes.
        weight: of each shape, adding up to 1.
        a: Gamma shape of the rate of each class, shape (shapes, classes).
        b: exposure of the same, shape (shapes, classes).
        wider_a, wider_b: of a class that was never seen, shape (shapes,).
    """

    shapes: Floats
    weight: Floats
    a: Floats
    b: Floats
    wider_a: Floats
    wider_b: Floats

    @property
    def shape(self) -> float:
        """The shape in use where one has to stand for all: the mean of the logarithm."""
        return float(np.exp(float(self.weight @ np.log(self.shapes))))

    @property
    def spread(self) -> float:
        """Standard deviation of the logarithm of the shape."""
        log = np.log(self.shapes)
        return float(np.sqrt(float(self.weight @ (log - self.weight @ log) ** 2)))

    def of(self, group: int | None) -> tuple[Floats, Floats]:
        """Return Gamma shapes and exposures of a class, None for one never seen."""
        if group is None:
            return self.wider_a, self.wider_b
        return self.a[:, group], self.b[:, group]

    def hazard(self, group: Ints, age: Floats) -> Floats:
        """Return the mean hazard of wear at these ages, averaged over shapes."""
        rate = (self.a / self.b)[:, group]
        k = self.shapes[:, None]
        with np.errstate(divide="ignore"):
            return np.asarray(self.weight @ (rate * k * np.maximum(age, 1e-9) ** (k - 1.0)))

    def cumulative(self, group: Ints, entry: Floats, leaving: Floats) -> Floats:
        """Return the mean cumulative hazard between two ages, averaged over shapes."""
        rate = (self.a / self.b)[:, group]
        k = self.shapes[:, None]
        return np.asarray(self.weight @ (rate * (leaving**k - entry**k)))


@dataclass(frozen=True)
class Early:
    """The law of early failures: a share of fitted parts, an exponential life.

    Attributes:
        share: of fitted parts that would fail early.
        mean: mean life of those, in the unit of the ages.
        failures: early failures that it rests on.
    """

    share: float
    mean: float
    failures: float = 0.0

    def hazard(self, age: Floats) -> Floats:
        """Return the hazard of early failure at these ages."""
        left = self.share * np.exp(-age / self.mean)
        return np.asarray(left / self.mean / (1.0 - self.share + left))

    def chance(self, age: Floats, ahead: Floats) -> Floats:
        """Return the chance that a part of this age fails early within what lies ahead."""
        return early_chance(self.share, self.mean, age, ahead)

    def after(self, ahead: Floats) -> Floats:
        """Return the chance that a part fitted at some moment of what lies ahead fails early.

        Averaged over moments evenly spread.
        """
        return early_after(self.share, self.mean, ahead)


def early_unsure(failures: Floats, mean: Floats, age: Floats) -> Floats:
    """Return the relative variance of the early hazard that lies ahead of parts of these ages.

    So many early failures tell share and mean each about as well as a rate; a part that has
    outlived the mean hangs on how well the mean is known.
    """
    return np.minimum((1.0 + (age / mean) ** 2) / (failures + _EARLY_HELD), 4.0)


def early_chance(share: Floats | float, mean: Floats | float, age: Floats, ahead: Floats) -> Floats:
    """Return `Early.chance` of parts that may each have a law of their own."""
    now, then = np.exp(-age / mean), np.exp(-(age + ahead) / mean)
    return np.asarray(share * (now - then) / (1.0 - share + share * now))


def early_after(share: Floats | float, mean: Floats | float, ahead: Floats) -> Floats:
    """Return `Early.after` of parts that may each have a law of their own."""
    reach = np.maximum(ahead, 1e-9) / mean
    return np.asarray(share * (1.0 + np.expm1(-reach) / reach))


@dataclass(frozen=True, eq=False)
class LifeLaw:
    """What is believed of a component's lives.

    Attributes:
        wear: the wear law.
        early: the early law.
        worn: of each life, the chance that it ended by wear, times its weight; 0 where it did
            not fail.
    """

    wear: Wear
    early: Early
    worn: Floats

    @classmethod
    def of_shape(cls, lives: Lives, prior: Prior, shape: float) -> Self:
        """Return the law of one Weibull shape, without early failures; a shape of 1 is no wear.

        The rate of each class is then a Gamma belief: its failures over what its lives were
        exposed to, beside what is held beforehand.
        """
        wear = lives.failed & ~lives.early
        k = np.array([shape])
        held, exposed = prior.rate(k)
        gone = lives.leaving**shape - lives.entry**shape
        a = np.bincount(lives.group, wear * lives.weight, lives.classes)[None, :] + held
        b = np.bincount(lives.group, gone * lives.effect * lives.weight, lives.classes)[None, :]
        # A class that was never seen is between what is held and what all of them show together.
        total = np.sum(a) - held * lives.classes, np.sum(b)
        few = _WIDER / max(float(total[0]), _WIDER)
        wider_a = np.array([held + few * float(total[0]) + _LEAST])
        wider_b = np.asarray(exposed + few * float(total[1]) + _LEAST, dtype=np.float64)
        own_a = np.asarray(a + _LEAST, dtype=np.float64)
        own_b = b + exposed[:, None] + _LEAST
        belief = Wear(k, np.ones(1), own_a, own_b, wider_a, wider_b)
        return cls(belief, Early(0.0, 1.0), wear * lives.weight)


Fit = Callable[[Sequence[Lives], Sequence[Prior]], Sequence[LifeLaw]]


@dataclass(frozen=True, slots=True)
class LifeModel:
    """How the lives of parts are fitted, chosen by ROADWORN_LIFE_MODEL for all that looks ahead.

    Attributes:
        name: what the setting calls it.
        title: what law it is, in words.
        fit: function from the lives of each component and what is held of each beforehand to a
            law of each, in the same order. It is called several times with the same components,
            since the effects of vehicles and places are found by turns with the laws.
    """

    name: str
    title: str
    fit: Fit


def held_to_form(fit: Fit, called: str) -> Callable[[Sequence[Lives], Sequence[Prior]], list[Any]]:
    """Return a fit of a plugin that is named when it raises or gives what nothing can be made of.

    Args:
        fit: of the plugin.
        called: the life model and its plugin in words, the beginning of a sentence.
    """

    def fitted(lives: Sequence[Lives], priors: Sequence[Prior]) -> list[Any]:
        try:
            laws = list(fit(lives, priors))
            faults = (law_fault(law, one) for law, one in zip(laws, lives, strict=True))
            fault = next(filter(None, faults), "")
        # Whatever a plugin raises is its own fault.
        except Exception as error:
            told = f"failed with {type(error).__name__}: {error}"
            raise PluginFailure(f"{called} {told}", _REMEDY) from error
        if fault:
            raise PluginFailure(f"{called} {fault}", _REMEDY)
        return laws

    return fitted


_REMEDY = "tell its author, or leave ROADWORN_LIFE_MODEL empty for the bundled one"


def law_fault(law: object, lives: Lives) -> str:
    """Return what is wrong with a law that a life model gives of some lives, or an empty text."""
    if not isinstance(law, LifeLaw):
        return f"gave a {type(law).__name__} where a LifeLaw is wanted"
    wear, nodes = law.wear, np.size(law.wear.shapes)
    shapes = {
        "shapes": (nodes,),
        "weight": (nodes,),
        "a": (nodes, lives.classes),
        "b": (nodes, lives.classes),
        "wider_a": (nodes,),
        "wider_b": (nodes,),
    }
    for name, shape in shapes.items():
        given = np.asarray(getattr(wear, name), dtype=np.float64)
        if given.shape != shape:
            return f"gave a wear.{name} of the form {given.shape} where {shape} is wanted"
        if not np.isfinite(given).all() or (given < 0.0).any():
            return f"gave a wear.{name} that is not finite, or less than 0"
    if not nodes or nodes > SHAPES:
        return f"gave {nodes} shapes: 1 to {SHAPES} are wanted"
    if abs(float(np.sum(wear.weight)) - 1.0) > 1e-6 or (np.asarray(wear.shapes) <= 0.0).any():
        return "gave weights that do not add up to 1, or a shape of 0"
    if not (0.0 <= law.early.share < 1.0 and law.early.mean > 0.0):
        return "gave an early share that is no share, or a mean early life of 0"
    if np.shape(law.worn) != lives.group.shape or not np.isfinite(law.worn).all():
        return "gave a worn that has not one finite figure for each life"
    return ""
