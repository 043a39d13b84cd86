"""A look-over that was opened once opens without network too, where a browser may keep it."""

import pytest
from page.conftest import TABLET, Device, Served, press, write
from page.test_at_the_vehicle import look_overs, written

pytestmark = pytest.mark.slow


def test_a_reload_without_network_finds_the_sheet_and_its_draft(
    served: Served, device: Device
) -> None:
    page = device(TABLET)
    page.goto(f"{served.url}/v/van-3/look-over")
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()  # now the worker has seen the sheet
    press(page, "Horn", "failed")
    page.context.set_offline(True)
    page.reload()
    assert page.inner_text("[data-count]").startswith("1 not written yet")
    press(page, "Wiper blades", "sound")
    write(page)
    page.locator("#net").wait_for()
    page.context.set_offline(False)
    assert "horn failed" in written(page)
    assert len(look_overs(served)) == 1
