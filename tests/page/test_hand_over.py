"""The key that hands a vehicle over says what is still open, as the typed door does."""

import time
from collections.abc import Iterator
from typing import Any

import pytest
from page.conftest import Served
from page.test_guard import form

httpx = pytest.importorskip("httpx")


@pytest.fixture
def asked(served: Served, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """The page, with a line of brake work done and another approved."""
    monkeypatch.setenv("ROADWORN_CURRENCY", "USD")
    with httpx.Client(base_url=served.url, trust_env=False, timeout=60) as client:
        client.get("/")
        offer = {"job:0": "disc brake pads front", "take:0": "yes", "price:0": "190"}
        offer |= {"job:1": "wiper blade", "take:1": "yes", "price:1": "28"}
        send(client, "estimate", 1, **offer)
        estimate = served.events("estimate")[-1].event_id
        answers = {"a:1": "approved", "a:2": "approved"}
        send(client, "answer", 2, estimate=estimate, **answers)
        done = {f"take:{estimate}-1": "yes", f"how:{estimate}-1": "worn_out"}
        send(client, "work", 3, **done, odometer="98,500")
        yield client


def settled(client: Any, path: str) -> str:
    """Return a page once it holds the last entries; a busy machine takes its time."""
    until = time.monotonic() + 240
    while "being worked in" in (page := str(client.get(path).text)):
        assert time.monotonic() < until
    return page


def send(client: Any, path: str, act: int, status: int = 303, **fields: str) -> str:
    fields = form(client, key=f"0123456789abcde{act}", **fields)
    answer = client.post(f"/v/van-3/{path}", data=fields)
    assert answer.status_code == status, answer.text
    return str(answer.text)


def test_the_key_says_what_is_still_open(asked: Any, served: Served) -> None:
    page = settled(asked, "/v/van-3/visit")
    assert "not to be driven until it is put right: outer tie rod end L." in page
    assert "work approved and not done: wiper blade." in page
    assert "asks to be tried: brake bedding" in page
    # What was tried is written down with it, and is no longer open.
    fields = {"step": "handed_over", "test:brake_bedding": "passed", "test:test_drive": "failed"}
    for _ in "12":
        send(asked, "visit", 4, **fields)
    tried = [(e.data()["test"], e.data()["result"]) for e in served.events("work_test")]
    assert sorted(tried) == [("brake_bedding", "passed"), ("test_drive", "failed")]
    assert len(served.events("visit")) == 1
    after = settled(asked, "/v/van-3")
    assert "Handed over with this open" in after
    assert "work approved and not done: wiper blade." in after
    assert "tried: brake bedding" not in after
    # It is back: what it left with is not said of it any more.
    send(asked, "visit", 5, step="arrived", sure="")
    assert "Handed over with this open" not in settled(asked, "/v/van-3")


def test_a_test_that_waits_for_a_distance_is_not_passed_in_the_bay(
    asked: Any, served: Served
) -> None:
    assert 'name="test:wheel_torque"' in settled(asked, "/v/van-3/visit")
    fields = {"step": "handed_over", "test:wheel_torque": "passed"}
    assert "it stays open" in send(asked, "visit", 4, 422, **fields)
    assert served.events("work_test") == served.events("visit") == []
