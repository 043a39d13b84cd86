"""A setting with a name that nothing has is refused, or told: never in silence.

Own sentences and own rule: no source.
"""

import pytest

SCHEDULE = """[schedule]
title = "Ours"
note = "Ours."
[[item]]
component = "engine.oil"
months = 6
citation = "ours"
class = "heavy trucks"
"""


@pytest.fixture
def fleet(run):
    run("create")
    run("enrol", "t", "--class", "heavy truck", "--odometer", "9000 mi", "--on", "2025-01-01")
    run(
        "record", "replacement", "t", "horn", "--reason", "failed", "--supplier", "North Road",
        "--on", "2025-02-01", "--odometer", "9500 mi",
    )  # fmt: skip
    return run


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ("inspection-outlook", "leave-out=hron"),
            "item of the rules 'hron'; did you mean horn",
        ),
        (("inspection-outlook", "heavy-classes=heavy trucks"), "did you mean heavy truck?"),
        (("inspection-outlook", "heavy-classes=delivery"), "no vehicle class 'delivery'"),
        (("warranty-recovery", "supplier=Nroth Road"), "did you mean North Road?"),
        (("part-lifespans", "component=hron"), "horn"),
    ],
)
def test_a_name_that_nothing_has_is_refused_with_what_was_likely_meant(fleet, words, said):
    outcome = fleet("analyse", *words)
    assert (outcome.code, outcome.out) == (2, "")
    assert said in outcome.err


def test_names_there_are_go_through(fleet):
    words = ("leave-out=horn", "heavy-classes=heavy truck")
    assert fleet("analyse", "inspection-outlook", *words).code == 0
    assert fleet("analyse", "warranty-recovery", "supplier=North Road").code == 0


def test_a_class_of_the_schedule_that_no_vehicle_has_is_told(fleet, tmp_path):
    (tmp_path / "ours.toml").write_text(SCHEDULE)
    outcome = fleet("analyse", "maintenance-due", f"schedule={tmp_path / 'ours.toml'}")
    assert "the class 'heavy trucks', which no vehicle has" in outcome.err + outcome.out
    assert "did you mean 'heavy truck'" in outcome.err + outcome.out
