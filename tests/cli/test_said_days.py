"""Days as people say them, at each door that takes one."""

from datetime import timedelta

import pytest
from commandline import Run

from roadworn_cli.context import today


def test_every_door_takes_a_day_as_it_is_said(shop: Run) -> None:
    tomorrow, yesterday = today() + timedelta(1), today() - timedelta(1)
    done = shop("record", "complaint", "bus-7", "horn", "--on", "yesterday")
    assert yesterday.isoformat() in done.out, done.err
    came = shop("record", "visit", "bus-7", "arrived", "--promised", "tomorrow 4pm")
    assert f"promised for {tomorrow} at 16:00" in came.out, came.err
    assert "promised for tomorrow, 16:00" in " ".join(shop("today").out.split())
    moved = shop("correct", "last", "bus-7", "promised=today")
    assert f"promised for {today()} (replaces" in moved.out, moved.err
    offer = ("record", "estimate", "bus-7", "horn 60 USD", "--valid-until", "in 2 weeks")
    assert shop(*offer).code == 0
    estimate = shop("history", "bus-7", "--format", "json").json()[-1]["payload"]
    assert estimate["valid_until"] == (today() + timedelta(14)).isoformat()  # type: ignore[index]
    sure = shop("correct", "last", "bus-7", "valid-until=in 3 weeks")
    assert sure.code == 0, sure.err
    result = ("record", "inspection-result", "bus-7", "safety", "pass", "--due", "in 52 weeks")
    assert shop(*result).code == 0
    assert shop("--as-of", "yesterday", "vehicles").code == 0
    assert "takes a day" in shop("--as-of", "soon", "vehicles").err


@pytest.mark.parametrize("said", ["3pm", "soon", "next week"])
def test_a_day_alone_is_asked_for(shop: Run, said: str) -> None:
    refused = shop("record", "complaint", "bus-7", "horn", "--on", said)
    assert refused.code == 2
    assert "a day" in refused.err
