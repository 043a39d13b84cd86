"""Tread that grows: said at the bench, and named where measured wear leaves it out.

That tread does not grow is physics; how much a gauge errs is common practice, no source.
"""

from commandline import Run


def look(run: Run, day: str, miles: str, finding: str) -> str:
    words = ["record", "inspection", "t", finding, "--on", day]
    done = run(*words, *(["--odometer", miles] if miles else []))
    assert done.code == 0, done.err
    return done.err


def test_tread_that_grew_is_said_and_named(run: Run) -> None:
    run("create")
    run("enrol", "t", "--class", "car", "--odometer", "71,000 mi", "--on", "2026-01-05")
    assert "more than" not in look(run, "2026-01-05", "71,000 mi", "tire LF 5/32 in")
    told = look(run, "2026-01-10", "71,100 mi", "tire LF 9/32 in")
    assert "9/32 in is more than 5/32 in on 2026-01-05" in told
    assert "a new tire not recorded, or another wheel?" in told
    wear = run("analyse", "measured-wear", "--vehicle", "t")
    assert "tire LF (a figure higher than before" in wear.out + wear.err


def test_a_recorded_new_tire_is_no_riddle(run: Run) -> None:
    run("create")
    run("enrol", "t", "--class", "car", "--odometer", "71,000 mi", "--on", "2026-01-05")
    look(run, "2026-01-05", "71,000 mi", "tire LF 5/32 in")
    run("record", "replacement", "t", "tire LF", "--reason", "worn out", "--on", "2026-01-08")
    assert "more than" not in look(run, "2026-01-10", "71,100 mi", "tire LF 9/32 in")


def test_look_overs_without_a_reading_are_named_so(run: Run) -> None:
    run("create")
    run("enrol", "t", "--class", "car", "--odometer", "71,000 mi", "--on", "2026-01-05")
    look(run, "2026-01-06", "", "tire LF 6/32 in")
    look(run, "2026-01-16", "", "tire LF 5/32 in")
    wear = run("analyse", "measured-wear", "--vehicle", "t")
    assert "tire LF (measured without an odometer reading" in wear.out + wear.err
