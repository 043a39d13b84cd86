"""Lives from columns, and the ``fit lives`` answer on published tables."""

import json

import numpy as np
import pytest
from lifedata.life_sets import VALUES, rows

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.fit_lives import fit_lives_table
from roadworn_plugins.lifedata.lives import Lives


def column(name, file):
    return [row[name] for row in rows(file)]


def problems_of(build):
    with pytest.raises(LifeDataError) as caught:
        build()
    return [(p.row, p.column, p.code) for p in caught.value.problems]


def test_every_row_that_is_no_life_is_named():
    found = problems_of(
        lambda: Lives.from_intervals(
            [5.0, np.nan, -1.0, 7.0, 3.0, 4.0, 2.0],
            [6.0, 2.0, 4.0, 6.0, np.inf, 9.0, 3.0],
            entry=[0.0, 0.0, 0.0, 0.0, 3.0, 9.0, 0.0],
            group=[0, 0, 0, 0, 0, 0, 5],
            n_groups=2,
        )
    )
    assert found == [
        (2, "lower", "not-a-number"),
        (3, "lower", "negative"),
        (4, "lower", "crossed-interval"),
        (5, "upper", "exit-before-entry"),
        (6, "upper", "exit-before-entry"),
        (7, "group", "unknown-group"),
    ]


def test_channing_house_has_five_rows_that_leave_before_they_enter():
    """READ in the documentation of R boot: 462 rows; other copies have dropped five."""
    file = "o05_channing_house_months.csv"
    table = rows(file)
    found = problems_of(
        lambda: fit_lives_table(
            {
                "group": column("sex", file),
                "entry": column("entry_age_months", file),
                "age": column("exit_age_months", file),
                "failed": column("died", file),
            }
        )
    )
    stays = [float(r["exit_age_months"]) - float(r["entry_age_months"]) for r in table]
    assert sum(stay <= 0 for stay in stays) == 5
    # Four of them end where they began and are left out; one ended before it did.
    assert found == [(stays.index(min(stays)) + 1, "age", "exit-before-entry")]


def test_a_look_before_entry_says_no_more_than_entry():
    raised = Lives.from_intervals([1.0], [9.0], entry=[4.0])
    assert raised.lower.tolist() == [4.0]


def test_fit_lives_on_shock_absorbers_is_the_contract():
    """RECOMPUTED by R; the keys are those of the design's contract, and more."""
    file = "o01_shock_absorber_km.csv"
    answer = fit_lives_table(
        {
            "age": column("distance_km", file),
            "failed": column("failed", file),
            "failure_mode": column("failure_mode", file),
        },
        unit="km",
        interval="lr",
    )
    assert answer["unit"] == "km"
    assert answer["ignored_columns"] == ["failure_mode"]
    (group,) = answer["groups"]
    assert (group["group"], group["n"], group["failures"]) == ("", 38, 11)
    r = VALUES["R"]["o01"]
    weibull, profile = group["weibull"], r["profile"]
    assert weibull["shape"] == pytest.approx(r["fit"]["weibull"]["shape"], rel=1e-6)
    assert weibull["shape_ci"] == pytest.approx(profile["shape_ci_lr"], rel=1e-6)
    assert weibull["scale_ci"] == pytest.approx(profile["scale_ci_lr"], rel=1e-6)
    assert weibull["b10_ci"] == pytest.approx(profile["B10_ci_lr"], rel=1e-6)
    assert weibull["status"] == "fitted"
    assert group["lognormal"]["mu"] == pytest.approx(r["fit"]["lognormal"]["mu"], rel=1e-6)
    assert set(weibull) >= {"scale", "loglik", "aic", "b10", "b50", "b50_ci"}
    assert set(group["lognormal"]) >= {"sigma", "mu_ci", "sigma_ci", "loglik", "aic", "b10"}
    at = [step for step in group["survival"] if step["age"] <= 20_000][-1]
    assert at["s"] == pytest.approx(r["km"]["surv"][2], rel=1e-9)
    assert at["lower"] == pytest.approx(r["km"]["log-log"]["lower"][2], rel=1e-9)
    assert set(at) == {"age", "at_risk", "events", "s", "se", "lower", "upper"}
    json.dumps(answer, allow_nan=False)


def test_fit_lives_with_intervals_has_masses():
    """RECOMPUTED: masses as in test_turnbull, Wald limits by R."""
    file = "o06_breast_cosmesis_months.csv"
    answer = fit_lives_table(
        {
            "group": column("group", file),
            "lower": column("lower_months", file),
            "upper": column("upper_months", file),
        },
        interval="wald",
    )
    assert [g["group"] for g in answer["groups"]] == ["radiotherapy", "radio_chemo"]
    for group in answer["groups"]:
        r = VALUES["R"][f"o06_{group['group']}"]["fit"]
        assert group["weibull"]["shape_ci"] == pytest.approx(r["weibull"]["shape_ci"], rel=1e-6)
        assert group["lognormal"]["sigma_ci"] == pytest.approx(r["lognormal"]["sigma_ci"], rel=1e-6)
        assert sum(cell["mass"] for cell in group["survival"]) == pytest.approx(1.0)
        assert set(group["survival"][0]) == {"lower", "upper", "mass", "s"}
    assert answer["groups"][0]["survival"][1]["s"] == pytest.approx(0.92029, abs=5e-6)


def test_counts_and_open_ends_survive_the_way_to_json():
    answer = fit_lives_table(
        {"lower": ["1", "2", "3"], "upper": ["2", "3", ""], "count": [4, 2, "10"]}
    )
    (group,) = answer["groups"]
    assert (group["n"], group["failures"], group["running"]) == (16, 6, 10)
    assert group["survival"][-1]["upper"] is None
    assert group["survival"][-1]["s"] == 0.0
    json.dumps(answer, allow_nan=False)


def test_a_group_that_cannot_be_fitted_says_why():
    answer = fit_lives_table({"age": [1, 2], "failed": ["false", "true"], "group": ["a", "b"]})
    none, one = (group["weibull"] for group in answer["groups"])
    assert none["shape"] is None
    assert none["shape_ci"] == [None, None]
    assert none["status"].startswith("no failures")
    assert one["status"].startswith("one age")


def test_intervals_with_late_entry_get_a_note_instead_of_masses():
    answer = fit_lives_table({"lower": [2, 4, 6], "upper": [3, 6, ""], "entry": [1, 0, 0]})
    (group,) = answer["groups"]
    assert group["survival"] == []
    assert "late entry" in group["survival_note"]
    assert group["weibull"]["status"] == "fitted"


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"age": [1]}, "either the columns age and failed"),
        ({"age": [1], "failed": [1], "lower": [1], "upper": [1]}, "either the columns"),
        ({"age": [], "failed": []}, "no rows"),
        ({"age": [1, 2], "failed": [1]}, "differ in length"),
    ],
)
def test_tables_that_are_none_are_refused_in_one_sentence(columns, words):
    with pytest.raises(LifeDataError, match=words):
        fit_lives_table(columns)


def test_values_that_cannot_be_read_are_named_one_by_one():
    found = problems_of(
        lambda: fit_lives_table(
            {
                "age": ["12", "", "1e3", "twelve", "inf"],
                "failed": ["1", "0", "perhaps", "1", "0"],
                "count": ["1", "x", "1", "1", ""],
            }
        )
    )
    assert sorted(found) == [
        (2, "age", "not-a-number"),
        (2, "count", "not-a-number"),
        (3, "failed", "not-yes-or-no"),
        (4, "age", "not-a-number"),
        (5, "age", "not-a-number"),
    ]
