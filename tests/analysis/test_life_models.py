"""A life model of a plugin: chosen by a setting, used by all that looks ahead, and said.

The law of one shape is checked against the textbook's closed form: with a Gamma(a, b) rate the
chance that a part of age t fails within h is 1 - (b / (b + (t + h)^k - t^k))^a (the Lomax law; for
instance Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 1, 20.7, quoted from
memory), and a shape of 1 is the exponential law, whose likeliest rate is failures over the time
that all lives were watched.
"""

import importlib.metadata
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from commandline import Run

from roadworn import (
    LifeLaw,
    LifeModel,
    Lives,
    PluginFailure,
    PluginHost,
    Prior,
    Result,
    UnknownName,
    hookimpl,
    open_view,
)
from roadworn.analysis.life_law import law_fault
from roadworn.testing import made_fleet


def steady(lives: Sequence[Lives], priors: Sequence[Prior]) -> list[LifeLaw]:
    """No wear at all: as many fail at any age."""
    return [LifeLaw.of_shape(one, prior, 1.0) for one, prior in zip(lives, priors, strict=True)]


def worn(lives: Sequence[Lives], priors: Sequence[Prior]) -> list[LifeLaw]:
    return [LifeLaw.of_shape(one, prior, 8.0) for one, prior in zip(lives, priors, strict=True)]


def torn(_lives: object, _priors: object) -> list[LifeLaw]:
    raise ZeroDivisionError("no lives")


def empty(_lives: object, _priors: object) -> list[LifeLaw]:
    return []


class Steady:
    ROADWORN_HOOKS = 2

    @hookimpl
    def roadworn_life_models(self) -> list[LifeModel]:
        made = {"steady": steady, "steep": worn, "torn": torn, "empty": empty}
        return [LifeModel(name, name, fit) for name, fit in made.items()]


FLEET = made_fleet(5, vehicles=12)


def lives_of(seed: int = 3) -> Lives:
    rng = np.random.default_rng(seed)
    ages = rng.exponential(50.0, 400)
    end = rng.uniform(5.0, 90.0, 400)
    none = np.zeros(400, dtype=bool)
    return Lives(
        rng.integers(0, 2, 400), np.zeros(400), np.minimum(ages, end), ages < end, none,
        np.ones(400), 2,
    )  # fmt: skip


def test_a_shape_of_one_is_failures_over_the_time_watched() -> None:
    lives = lives_of()
    law = LifeLaw.of_shape(lives, Prior(1.0, 0.5, None, weight=0.0), 1.0)
    assert law_fault(law, lives) == ""
    held = Prior(1.0, 0.5, None).rate(np.ones(1))[0]
    for group in (0, 1):
        mine = lives.group == group
        rate = (lives.failed[mine].sum() + held) / lives.leaving[mine].sum()
        a, b = law.wear.of(group)
        assert float(a[0] / b[0]) == pytest.approx(rate, rel=1e-6)
        # Without wear the chance of the next 10 is the same at any age.
        chances = [1.0 - (b / (b + (age + 10.0) - age)) ** a for age in (0.0, 80.0)]
        assert chances[0] == pytest.approx(chances[1])


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"shapes": np.array([-1.0])}, "less than 0"),
        ({"weight": np.array([0.5])}, "add up"),
        ({"a": np.ones((1, 3))}, "wear.a"),
        ({"b": np.array([[np.nan, 1.0]])}, "not finite"),
    ],
)
def test_what_nothing_can_be_made_of_is_named(change: dict[str, object], word: str) -> None:
    from dataclasses import replace

    lives = lives_of()
    law = LifeLaw.of_shape(lives, Prior(1.0, 0.5, 40.0), 1.0)
    assert word in law_fault(replace(law, wear=replace(law.wear, **change)), lives)
    assert "LifeLaw" in law_fault("law", lives)


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    from roadworn import Ledger

    path = tmp_path / "roadworn.db"
    with Ledger.create(path) as made:
        made.append_many(FLEET.events)
    return path


def test_all_that_looks_ahead_goes_by_the_model_named_and_says_so(
    ledger: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    host = PluginHost.load()
    host.register(Steady(), "steady")
    found: dict[str, list[object]] = {}
    for name in ("", "weibull", "steady", "steep"):
        monkeypatch.setenv("ROADWORN_LIFE_MODEL", name)
        with open_view(ledger, as_of=FLEET.last_day) as view:
            result = host.run("next-repairs", view, {"least_chance": 0.0, "past_days": 0}).result
            again = host.run("next-repairs", view, {"least_chance": 0.0, "past_days": 0}).result
        assert [str(one) for one in result.caveats] == [str(one) for one in again.caveats]
        said = [str(one) for one in result.caveats if "life model" in str(one)]
        if name in ("steady", "steep"):
            assert said == [
                f"How long parts last is by the life model {name} of the plugin steady, as asked."
            ]
        else:
            assert said == []
        found[name] = chances_of(result)
        assert found[name]
    assert found[""] == found["weibull"]
    assert found["steady"] != found["weibull"]
    assert found["steep"] != found["steady"]


def chances_of(result: Result) -> list[object]:
    """Return the chances of all parts that are projected."""
    return [
        row[at]
        for table in result.tables
        for at, column in enumerate(table.columns)
        if column.kind == "chance"
        for row in table.rows
    ]


def test_one_that_breaks_is_named_with_its_plugin(
    ledger: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    host = PluginHost.load()
    host.register(Steady(), "steady")
    for name, word in (("torn", "ZeroDivisionError"), ("empty", "zip")):
        monkeypatch.setenv("ROADWORN_LIFE_MODEL", name)
        with (
            open_view(ledger, as_of=FLEET.last_day) as view,
            pytest.raises(PluginFailure, match=f"{name!r} of plugin 'steady'.*{word}"),
        ):
            host.run("next-repairs", view, {"past_days": 0})


def test_a_name_that_is_not_there_is_refused_with_the_nearest(
    run: Run, ledger: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert ledger.is_file()
    found = importlib.metadata.entry_points(group="roadworn")
    dist = SimpleNamespace(name="roadworn-steady", version="1.0")
    mine = SimpleNamespace(name="steady", value="steady", dist=dist, load=Steady)
    points = [*(e for e in found if e.name == "bundled"), mine]
    monkeypatch.setattr(importlib.metadata, "entry_points", lambda *, group: points)
    monkeypatch.setenv("ROADWORN_LIFE_MODEL", "stedy")
    wrong = run("analyse", "next-repairs")
    assert (wrong.code, "steady" in wrong.err) == (2, True), wrong.err
    with pytest.raises(UnknownName):
        PluginHost.load().life_model()


@pytest.mark.parametrize("classes", [0, 1, 3])
@pytest.mark.parametrize("prior", [Prior(1.5, 0.4, None), Prior(2.5, 0.3, 60.0, weight=2.0)])
def test_a_component_without_lives_is_fitted_without_a_warning(prior: Prior, classes: int) -> None:
    """What is held beforehand is all there is; warnings would reach a user's screen."""
    one = np.zeros(0)
    no = one.astype(bool)
    none = Lives(one.astype(int), one, one, no, no, one, classes)
    (bundled,) = [m for _, m in PluginHost.load().received("roadworn_life_models")]
    with np.errstate(all="raise"):
        (law,) = bundled.fit([none], [prior])
    assert law.worn.size == 0
