"""The page in a browser, as a tablet and as a telephone: what a person in the bay does with it."""

from typing import Any

import pytest
from page.conftest import HOSTILE, PHONE, TABLET, Device, Served, press, row, write

pytestmark = pytest.mark.slow
SIZES = pytest.mark.parametrize("size", [PHONE, TABLET], ids=["phone", "tablet"])


def look_overs(served: Served) -> list[Any]:
    return [one for one in served.events("inspection") if one.source == "page"]


def written(page: Any) -> str:
    page.wait_for_selector("[data-written]")
    return str(page.inner_text("[data-written]"))


@SIZES
def test_a_look_over_is_found_filled_in_written_and_answered(
    served: Served, device: Device, size: dict[str, int]
) -> None:
    page = device(size)
    page.goto(served.url)
    page.fill("#q", "van3")
    page.press("#q", "Enter")
    page.click("text=van-3")
    assert "outer tie rod end L, do not drive" in page.inner_text("main")
    page.click("text=Look-over")
    # What stops the vehicle stands first, with its word.
    first = page.locator("fieldset.item").first
    assert "STOP" in first.inner_text()
    assert "failed since 2026-05-04, loose" in first.inner_text()
    assert page.inner_text("[data-count]") == "Nothing is written yet."
    pads = row(page, "Disc brake pads front")
    assert "last 6 mm, sound, 2026-05-04" in pads.inner_text()
    pads.locator(".measure input").fill("3")
    press(page, "Horn", "sound")
    press(page, "Wiper blades", "wearing")
    page.fill("#odometer", "98,500")
    page.fill("#by", "MK")
    assert page.inner_text("[data-count]") == "3 not written yet, by MK."
    assert look_overs(served) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    page.click("button.write")
    told = written(page)
    assert "wiper blade wearing" in told
    assert "disc brake pads front 3 mm" in told
    (event,) = look_overs(served)
    assert (event.recorded_by, event.odometer, event.source) == ("MK", 98_500, "page")
    assert event.data()["sound"] == [{"component": "electrical.horn"}]
    page.click("nav >> text=Outlook")
    page.wait_for_selector("dl.outlook", timeout=60_000)
    assert "STOP" in page.inner_text("dl.outlook")


@SIZES
def test_the_network_drops_in_the_middle(
    served: Served, device: Device, size: dict[str, int]
) -> None:
    page = device(size)
    page.goto(f"{served.url}/v/van-3/look-over")
    press(page, "Horn", "failed")
    page.context.set_offline(True)
    press(page, "Wiper blades", "sound")
    write(page)
    page.locator("#net").wait_for()
    assert "kept on this device" in page.inner_text("#net")
    assert look_overs(served) == []
    page.context.set_offline(False)
    told = written(page)
    assert "horn failed (safety)" in told
    assert len(look_overs(served)) == 1
    # Nothing is left to be sent again.
    page.goto(f"{served.url}/v/van-3/look-over")
    assert page.inner_text("[data-count]") == "Nothing is written yet."
    page.wait_for_timeout(500)
    assert len(look_overs(served)) == 1


def test_an_answer_that_was_lost_makes_no_double(served: Served, device: Device) -> None:
    page = device(TABLET)
    page.goto(f"{served.url}/v/van-3/look-over")
    press(page, "Horn", "sound")
    lost: list[int] = []

    def lose(route: Any) -> None:
        if route.request.method != "POST" or lost:
            route.continue_()
            return
        lost.append(route.fetch().status)  # it reached the ledger, and nobody was told
        route.abort()

    page.route("**/look-over", lose)
    write(page)
    page.locator("#net").wait_for()
    assert lost == [200]
    assert len(look_overs(served)) == 1
    page.evaluate("dispatchEvent(new Event('online'))")
    page.wait_for_url("**/v/van-3")
    assert len(look_overs(served)) == 1


def test_a_reload_and_the_back_key_lose_nothing(served: Served, device: Device) -> None:
    page = device(PHONE)
    page.goto(f"{served.url}/v/van-3")
    page.click("text=Look-over")
    press(page, "Horn", "sound")
    press(page, "Wiper blades", "wearing")
    row(page, "Wiper blades").locator(".note").fill("streaks")
    page.reload()
    assert page.inner_text("[data-count]").startswith("2 not written yet")
    page.go_back()
    page.wait_for_url("**/v/van-3")
    page.go_forward()
    page.wait_for_url("**/look-over")
    assert page.inner_text("[data-count]").startswith("2 not written yet")
    assert row(page, "Wiper blades").locator(".note").input_value() == "streaks"
    write(page)
    written(page)
    # Going back to a form that was written finds an empty one, and sends nothing.
    page.go_back()
    page.wait_for_url("**/look-over")
    page.locator("[data-count]", has_text="Nothing is written yet.").wait_for()
    assert len(look_overs(served)) == 1


def test_two_devices_at_one_vehicle(served: Served, device: Device) -> None:
    one, other = device(TABLET), device(PHONE)
    for page in (one, other):
        page.goto(f"{served.url}/v/van-3/look-over")
    press(one, "Horn", "sound")
    press(other, "Horn", "failed")
    write(one, "MK")
    written(one)
    write(other, "AB")
    other.wait_for_selector("section.alert")
    told = other.inner_text("section.alert")
    assert "Since this was opened MK wrote a look-over" in told
    assert len(look_overs(served)) == 1
    assert other.locator("input[name='c:horn@'][value=failed]").is_checked()
    assert other.inner_text("button.write") == "Write it as it is"
    other.click("button.write")
    written(other)
    assert [event.recorded_by for event in look_overs(served)] == ["MK", "AB"]


def test_hostile_text_is_shown_and_not_run(served: Served, device: Device) -> None:
    page = device(TABLET)
    for path in ("", "/v/car-1", "/v/car-1/history", "/v/car-1/look-over", f"/?q={HOSTILE}"):
        page.goto(f"{served.url}{path}")
        assert page.title() != "run"
        assert HOSTILE[:20] in page.content().replace("&lt;", "<").replace("&gt;", ">")
        assert page.locator("img[src=x]").count() == 0
    page.goto(f"{served.url}/v/car-1/complaint")
    page.fill("#complaint", HOSTILE)
    write(page, "<b>M")
    assert HOSTILE[:20] in written(page)
    assert page.title() != "run"


def test_what_cannot_be_read_is_said_and_kept(served: Served, device: Device) -> None:
    page = device(PHONE)
    page.goto(f"{served.url}/v/van-3/look-over")
    press(page, "Horn", "sound")
    row(page, "Disc brake pads front").locator(".measure input").fill("three")
    write(page)
    page.wait_for_selector("section.alert")
    assert "Disc brake pads front" in page.inner_text("section.alert")
    assert row(page, "Disc brake pads front").locator(".measure input").input_value() == "three"
    assert page.locator("input[name='c:horn@'][value=sound]").is_checked()
    assert look_overs(served) == []
    row(page, "Disc brake pads front").locator(".measure input").fill("3")
    page.click("button.write")
    written(page)
    assert len(look_overs(served)) == 1


def test_all_of_it_by_the_keyboard(served: Served, device: Device) -> None:
    page = device(TABLET)
    page.goto(f"{served.url}/v/van-3/look-over")
    page.focus("input[name='c:horn@'][value=sound]")
    page.keyboard.press("Space")
    page.keyboard.press("ArrowRight")  # to wearing
    assert page.locator("input[name='c:horn@'][value=wearing]").is_checked()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.name") == "n:horn@"
    page.keyboard.type("hoarse")
    for _ in range(400):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "by":
            break
    page.keyboard.type("MK")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "write"
    page.keyboard.press("Enter")
    assert "horn wearing, hoarse" in written(page)


def test_a_device_is_paired_with_the_code(paired: Served, device: Device) -> None:
    page = device(PHONE)
    page.goto(f"{paired.url}/v/van-3")
    page.wait_for_url("**/pair")
    page.fill("#code", "00000000")
    page.click("button")
    assert "not the code" in page.inner_text("[role=alert]")
    assert page.locator("nav").count() == 0
    page.fill("#code", paired.sessions.pairing.code)
    page.click("button")
    page.wait_for_url(f"{paired.url}/")
    assert "van-3" in page.inner_text("main")
