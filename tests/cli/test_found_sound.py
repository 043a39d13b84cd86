"""How a finding ends without work: by a later look that names the part sound, the same everywhere.

What was measured: a failed brake hose that was named sound next time, with nothing done in between,
was gone from every screen without a word.
"""

import pytest
from commandline import Run

HOSE = "Failed when last looked at, and no work on record since: brake hose LR on 2026-05-04."


@pytest.fixture
def failed(shop: Run) -> Run:
    """A bus with a hose and a ball joint failed, and the hose declined."""
    found = ("brake hose LR failed cracked", "ball joint RF lower failed", "cabin filter failed")
    for words in (
        ("record", "inspection", "bus-7", *found, "-o", "61,300 mi", "--on", "2026-05-04"),
        ("record", "estimate", "bus-7", "brake hose LR 120 USD", "battery 90 USD",
         "--on", "2026-05-04"),
        ("record", "authorisation", "bus-7", "last", "1=declined", "2=declined",
         "--on", "2026-05-04"),
        ("record", "visit", "bus-7", "arrived", "--on", "2026-05-10"),
    ):  # fmt: skip
        done = shop(*words)
        assert done.code == 0, done.err
    return shop


def look(shop: Run, *words: str) -> tuple[int, str]:
    done = shop("record", "inspection", "bus-7", *words, "--on", "2026-05-11")
    return done.code, " ".join(done.err.split())


def opened(shop: Run) -> list[object]:
    sql = "SELECT component FROM open_findings ORDER BY component"
    return [row["component"] for row in shop("sql", sql, "--format", "json").json()]


def test_what_can_hurt_is_asked_about_before_a_word_ends_it(failed: Run) -> None:
    code, told = look(failed, "brake hose LR ok")
    assert code == 1
    assert HOSE in told
    assert len(opened(failed)) == 3
    # What cannot hurt is told, not asked.
    code, told = look(failed, "cabin filter ok")
    assert (code, "counts as sound from here on" in told) == (0, True)
    assert "brake.hose" in opened(failed)


def test_one_rule_for_every_door(failed: Run) -> None:
    assert look(failed, "brake hose LR ok", "ball joints ok", "--sure")[0] == 0
    # Named without a place, all of them are sound.
    assert opened(failed) == ["hvac.cabin_filter"]
    assert "STOP" not in failed("today").out
    outlook = " ".join(failed("outlook", "bus-7", "--more").out.split())
    assert "Look again at brake hose LR: it failed on 2026-05-04" in outlook
    assert "brake hose LR, do not drive" not in outlook
    history = " ".join(failed("history", "bus-7").out.split())
    assert "(failed before, no work on record since: brake hose LR on 2026-05-04; " in history
    # What was put off because of it is not offered again; what answered no finding is.
    declined = failed("history", "bus-7", "--declined").out
    assert "battery" in declined
    assert "brake hose" not in declined
    gone = failed("record", "visit", "bus-7", "handed-over", "--on", "2026-05-11")
    assert "named sound that had failed, and no work on record" in " ".join(gone.err.split())
    assert "STOP" not in gone.err


def test_work_or_a_second_look_settles_it(failed: Run) -> None:
    repaired = ("record", "replacement", "bus-7", "brake hose LR", "--reason", "failed")
    assert failed(*repaired, "--on", "2026-05-10").code == 0
    code, told = look(failed, "brake hose LR ok")
    assert code == 0, told
    assert "no work on record" not in told
    found = "SELECT component FROM found_sound"
    assert failed("sql", found, "--format", "json").json() == []


@pytest.mark.parametrize("words", [("horn ok", "--rest", "sound"), ("brake hose RR ok",)])
def test_neither_a_blanket_word_nor_another_place_ends_it(
    failed: Run, words: tuple[str, ...]
) -> None:
    assert look(failed, *words)[0] == 0
    assert "brake.hose" in opened(failed)


def test_bad_and_sound_by_turns_counts_the_last_look(failed: Run) -> None:
    assert look(failed, "brake hose LR ok", "--sure")[0] == 0
    again = failed("record", "inspection", "bus-7", "brake hose LR leaking", "--on", "2026-05-12")
    assert again.code == 0, again.err
    assert "brake.hose" in opened(failed)
    # Bad again, it was offered before.
    assert "brake hose" in failed("history", "bus-7", "--declined").out
    since = "SELECT CAST(first_seen_on AS VARCHAR) AS d FROM open_findings WHERE safety"
    days = {row["d"] for row in failed("sql", since, "--format", "json").json()}
    assert "2026-05-12" in days
