"""A whole job on the page, from the door to the door, in few taps: each is counted."""

from typing import Any

import pytest
from page.conftest import TABLET, Device, Served, row
from page.test_at_the_vehicle import written

pytestmark = pytest.mark.slow

#: Every tap, and every key that is typed, is one.
MOST = 120


class Hand:
    """A finger on a tablet, counted."""

    def __init__(self, page: Any) -> None:
        self.page, self.taps = page, 0

    def tap(self, target: Any) -> None:
        self.taps += 1
        (self.page.locator(target) if isinstance(target, str) else target).first.click()

    def type(self, target: Any, text: str) -> None:
        """Tap into a field and type, which counts a tap and each key."""
        field = self.page.locator(target) if isinstance(target, str) else target
        self.taps += 1 + len(text)
        field.fill(text)

    def paste(self, target: str, text: str) -> None:
        """Tap into a field and paste."""
        self.taps += 2
        self.page.fill(target, text)

    def write(self) -> str:
        self.tap("button.write")
        return written(self.page)

    def key(self, item: str, key: str) -> None:
        self.tap(row(self.page, item).locator("label", has_text=key))


def test_a_whole_job_takes_few_taps(
    served: Served, device: Device, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROADWORN_CURRENCY", "USD")
    page = device(TABLET)
    hand = Hand(page)
    page.goto(served.url)
    hand.tap(page.locator("a", has_text="van-3"))
    # It comes in.
    hand.tap("text=Came in")
    hand.type("#odometer", "98500")
    hand.type("#by", "MK")
    hand.write()
    # It is looked over: twelve findings, the rest sound.
    hand.tap("text=Look-over")
    for item, key in (
        ("Horn", "sound"),
        ("Wiper blades", "wearing"),
        ("Mirrors", "sound"),
        ("Seat belts", "sound"),
        ("Windshield and glass", "sound"),
        ("Steering linkage and tie rod ends L", "failed"),
        ("Disc brake pads rear", "failed"),
        ("Accessory drive belt", "wearing"),
    ):
        hand.key(item, key)
    for item, figure in (
        ("Disc brake pads front", "3"),
        ("Tire tread LF", "6"),
        ("Tire tread RF", "6"),
        ("Battery at rest", "12.4"),
    ):
        hand.type(row(page, item).locator(".measure input"), figure)
    hand.tap(page.locator(".rest label", has_text="sound"))
    assert page.inner_text("[data-count]") == "12 not written yet, by MK."
    assert "do not drive" in hand.write().casefold()
    # It is read out.
    hand.tap("text=Scan")
    hand.paste("#pasted", "P0301 pending\nP0420")
    hand.write()
    # Three jobs are estimated, from what was found.
    hand.tap("nav >> text=Estimate")
    for job, price in (
        ("outer tie rod end L", "141"),
        ("disc brake pads rear", "236"),
        ("wiper blade", "28"),
    ):
        offered = page.locator("fieldset", has=page.locator("legend", has_text=job)).first
        hand.tap(offered.locator("label", has_text="offer it"))
        hand.type(offered.locator("input[name^=price]"), price)
    hand.write()
    # The customer answers.
    hand.tap("nav >> text=Answer")
    for number, answer in enumerate(("approved", "approved", "later")):
        hand.tap(page.locator("fieldset").nth(number).locator("label", has_text=answer))
    hand.write()
    # It is done, and handed over.
    hand.tap("nav >> text=Work done")
    for ticked in page.locator("label", has_text="it is done").all():
        hand.tap(ticked)
    hand.tap(page.locator("label", has_text="and hand the vehicle over"))
    hand.write()

    assert hand.taps <= MOST, hand.taps
    kinds = [event.kind for event in served.events() if event.source == "page"]
    assert kinds == [
        *("visit", "inspection", "scan", "estimate", "authorisation"),
        *("replacement", "replacement", "visit"),
    ]
    (look,) = [event for event in served.events("inspection") if event.source == "page"]
    told = look.data()
    assert len(told["findings"]) + len(told["sound"]) == 12
    assert told["rest"] == "sound"
    works = [event.data() for event in served.events("replacement")]
    assert [work["reason"] for work in works] == ["failed", "failed"]
    assert {event.recorded_by for event in served.events() if event.source == "page"} == {"MK"}
    # Nothing stops it any more.
    for _ in range(40):
        page.goto(f"{served.url}/v/van-3")
        if "STOP" not in page.inner_text("main"):
            break
        page.wait_for_timeout(250)
    assert "STOP" not in page.inner_text("main")
