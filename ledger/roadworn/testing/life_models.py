"""Holds a life model to what everything that looks ahead relies on."""

import io
from collections.abc import Sequence
from contextlib import redirect_stdout
from dataclasses import fields

import numpy as np

from roadworn.analysis.life_law import LifeLaw, LifeModel, Lives, Prior, law_fault

#: What the histories of a shop look like: lives, classes, share that fails, and why it is tried.
_HISTORIES = (
    (1, 1, 0.0, "one part that still runs"),
    (1, 1, 1.0, "one failure"),
    (40, 1, 0.0, "forty parts of which none failed"),
    (40, 1, 1.0, "forty parts that all failed"),
    (400, 3, 0.4, "four hundred lives, one of its class"),
)
_PRIORS = (Prior(1.5, 0.4, None), Prior(2.5, 0.3, 60.0, weight=2.0))


def check_life_model(model: LifeModel, seed: int = 1) -> dict[str, list[LifeLaw]]:
    """Fit drawn histories, from one life to four hundred, and check what comes back.

    Checked: a law for each component in their order, each of a form that something can be made
    of; the same when asked again; hazards that are no less than 0 and finite, cumulative ones that
    never fall; what it was handed is unchanged; nothing was printed.

    Args:
        model: the life model.
        seed: of the histories.

    Returns:
        What was tried -> the laws, one for each belief held beforehand.

    Raises:
        AssertionError: with one sentence that says what does not hold.
    """
    _hold(model.fit([], []) is not None, f"{model.name} gave None of no components: give [].")
    found: dict[str, list[LifeLaw]] = {}
    for number, classes, share, what in _HISTORIES:
        lives = [_drawn(number, classes, share, seed + more) for more in range(len(_PRIORS))]
        found[what] = _fitted(model, lives, what)
        for law, one in zip(found[what], lives, strict=True):
            _check_law(f"{model.name}, of {what}", law, one)
    return found


def _fitted(model: LifeModel, lives: Sequence[Lives], what: str) -> list[LifeLaw]:
    called, before, printed = f"{model.name}, of {what},", _bytes(lives), io.StringIO()
    with redirect_stdout(printed):
        try:
            laws, again = list(model.fit(lives, _PRIORS)), list(model.fit(lives, _PRIORS))
        except Exception as error:
            told = f"{type(error).__name__}: {error}"
            raise AssertionError(f"{called} failed with {told}") from error
    _hold(len(laws) == len(lives), f"{called} gave {len(laws)} laws of {len(lives)} components.")
    for law, one in zip(laws, lives, strict=True):
        fault = law_fault(law, one)
        _hold(not fault, f"{called} {fault}.")
    alike = all(_same(one, other) for one, other in zip(laws, again, strict=True))
    _hold(alike, f"{called} gave two different laws of the same lives.")
    _hold(_bytes(lives) == before, f"{called} changed the lives that it was handed: copy them.")
    _hold(not printed.getvalue(), f"{called} prints, and standard output is data.")
    return laws


def _check_law(called: str, law: LifeLaw, lives: Lives) -> None:
    """Hold that what is asked of a law can be answered for each class, along its age."""
    ages = np.linspace(1.0, 200.0, 40)
    for group in range(lives.classes):
        groups = np.full(ages.size, group)
        hazard = law.wear.hazard(groups, ages)
        gone = law.wear.cumulative(groups, np.zeros(ages.size), ages)
        sound = np.isfinite(hazard).all() and np.isfinite(gone).all() and (hazard >= 0.0).all()
        _hold(bool(sound), f"{called}: a hazard is not finite, or less than 0.")
        falls = (np.diff(gone) < -1e-9 * max(1.0, float(gone[-1]))).any()
        _hold(not falls, f"{called}: parts come back to life as they age.")
        early = law.early.chance(ages, ages)
        bounded = ((early >= 0.0) & (early <= 1.0)).all()
        _hold(bool(bounded), f"{called}: an early chance is no chance.")


def _drawn(number: int, classes: int, share: float, seed: int) -> Lives:
    """Return lives by a Weibull law of shape 2.5 and 60, cut so that about a share failed.

    The last of several classes has a single one.
    """
    rng = np.random.default_rng(seed)
    ages = 60.0 * rng.weibull(2.5, number)
    failed = rng.random(number) < share
    leaving = np.where(failed, ages, ages * rng.uniform(0.1, 1.0, number))
    entry = np.where(rng.random(number) < 0.3, 0.2 * leaving, 0.0)
    group = rng.integers(0, max(classes - 1, 1), number)
    group[: classes > 1] = classes - 1
    none = np.zeros(number, dtype=bool)
    return Lives(group, entry, leaving, failed, none, np.ones(number), classes)


def _bytes(lives: Sequence[Lives]) -> bytes:
    return b"".join(
        np.asarray(getattr(one, f.name)).tobytes() for one in lives for f in fields(one)
    )


def _same(one: LifeLaw, other: LifeLaw) -> bool:
    parts = ((law.wear.shapes, law.wear.a, law.wear.b, law.worn) for law in (one, other))
    return all(np.array_equal(a, b) for a, b in zip(*parts, strict=True))


def _hold(holds: bool, otherwise: str) -> None:
    if not holds:
        raise AssertionError(otherwise)
