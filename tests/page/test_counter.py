"""What the counter does on the page: wheels, a sale, an entry put right, whom to call, days."""

import re
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from adapter.responder import CAN, Responder
from page.conftest import Served, serving, shop
from page.test_guard import form
from page.test_hand_over import settled

from roadworn import PluginHost
from roadworn.intake import Ledger
from roadworn_cli.context import today

httpx = pytest.importorskip("httpx")


@pytest.fixture
def counter(served: Served, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    monkeypatch.setenv("ROADWORN_CURRENCY", "USD")
    with httpx.Client(base_url=served.url, trust_env=False, timeout=60) as client:
        client.get("/")
        yield client


def send(client: Any, path: str, key: str = "", **fields: str) -> Any:
    fields = form(client, key=f"0123456789{key or path.replace('/', '')}", **fields)
    return client.post(f"/v/van-3/{path}", data=fields)


def test_wheels_are_rotated_a_set_changed_and_a_flat_repaired(counter: Any, served: Served) -> None:
    page = counter.get("/v/van-3/wheels").text
    assert "front-to-rear" in page
    done = send(counter, "wheels", how="cross", odometer="98,500")
    assert done.status_code == 303, done.text
    done = send(counter, "wheels", "swapped", fitted="winter", stored="summer", storage="rack 12")
    assert done.status_code == 303, done.text
    done = send(counter, "wheels", "flat", flat="LF", repair="plug and patch")
    assert done.status_code == 303, done.text
    rotated, swapped = (event.data() for event in served.events("wheels"))
    assert {(m["from_place"], m["to_place"]) for m in rotated["moves"]} >= {("LF", "RR")}
    assert (swapped["fitted"], swapped["stored"], swapped["storage"]) == (
        "winter", "summer", "rack 12",
    )  # fmt: skip
    (flat,) = (event.data() for event in served.events("repair"))
    assert (flat["component"], flat["position"]) == ("wheel.tire", "LF")
    assert "rack 12" in settled(counter, "/v/van-3/wheels")
    for wrong in ({"moves": "LF>LR"}, {"stored": "summer"}, {"place": "nowhere"}, {}):
        refused = send(counter, "wheels", "wrong", **wrong)
        assert refused.status_code == 422, wrong
    assert len(served.events("wheels")) == 2


def test_a_sale_asks_for_the_plate_and_keeps_names_apart(counter: Any, served: Served) -> None:
    with Ledger.open(served.ledger, writable=True) as ledger:
        ledger.plates.set("van-3", "ABC 123 XY")
    asked = send(counter, "sale", owner="OWNER-13")
    assert asked.status_code == 422
    assert "whether its number plate stays" in asked.text
    assert served.events("profile_change") == []
    named = send(counter, "sale", owner="Mr. Venn", plate_stays="stays")
    assert named.status_code == 422
    sold = {"owner": "OWNER-13", "name": "Cy Moss", "phone": "555 0190", "plate_stays": "goes"}
    assert send(counter, "sale", **sold).status_code == 303
    # The same act a second time is the same one.
    assert send(counter, "sale", **sold).status_code == 303
    (event,) = served.events("profile_change")
    assert event.data() == {"owner_reference": "OWNER-13"}
    with Ledger.open(served.ledger, writable=False) as ledger:
        assert ledger.plates.of("van-3") == ""
        assert ledger.contacts.get("OWNER-13").phone == "555 0190"
    again = send(counter, "sale", "again", owner="OWNER-13", plate_stays="goes")
    assert again.status_code == 422
    assert "already" in again.text


def test_an_entry_is_put_right_and_the_old_one_stays(counter: Any, served: Served) -> None:
    assert send(counter, "complaint", complaint="horn is hoarse").status_code == 303
    (old,) = [one for one in served.events("complaint") if one.vehicle_id == "van-3"]
    assert f"/v/van-3/correct/{old.event_id}" in counter.get("/v/van-3/history").text
    shown = counter.get(f"/v/van-3/correct/{old.event_id}").text
    assert 'value="horn is hoarse"' in shown
    same = {"f:complaint": "horn is hoarse", "on": old.occurred_at[:10], "odometer": ""}
    path = f"correct/{old.event_id}"
    assert send(counter, path, "same", **same).status_code == 422
    new = send(counter, path, "new", **{**same, "f:complaint": "horn is mute"})
    assert new.status_code == 303, new.text
    last = [one for one in served.events("complaint") if one.vehicle_id == "van-3"][-1]
    assert last.data() == {"complaint": "horn is mute", "replaces": old.event_id}
    # Put right once, it is the new one that is put right.
    assert send(counter, path, "twice", **{**same, "f:complaint": "horn"}).status_code == 422
    history = counter.get("/v/van-3/history").text
    assert "replaced" in history
    assert counter.get(f"/v/car-1/correct/{last.event_id}").status_code == 404


def test_a_finding_is_put_right_by_a_key(counter: Any, served: Served) -> None:
    look = send(counter, "look-over", "worn", words="wiper blades worn")
    assert look.status_code == 303, look.text
    old = served.events("inspection")[-1]
    shown = counter.get(f"/v/van-3/correct/{old.event_id}").text
    assert 'value="wiper blade"' in shown
    given = {
        "f:findings.0.component": "wiper blade",
        "f:findings.0.condition": "failed",
        "f:findings.0.note": "worn",
        "on": old.occurred_at[:10],
        "odometer": "",
    }
    done = send(counter, f"correct/{old.event_id}", "key", **given)
    assert done.status_code == 303, done.text
    (finding,) = served.events("inspection")[-1].data()["findings"]
    assert (finding["component"], finding["condition"]) == ("body.wiper_blade", "failed")


def test_a_figure_that_was_put_right_is_doubted_like_any_other(
    counter: Any, served: Served
) -> None:
    assert send(counter, "complaint", complaint="clunk", odometer="98,500").status_code == 303
    old = served.events("complaint")[-1]
    given = {"f:complaint": "clunk", "on": old.occurred_at[:10], "odometer": "985,000 mi"}
    asked = send(counter, f"correct/{old.event_id}", "jump", **given)
    assert asked.status_code == 409
    sure = re.search(r'name="sure" value="(\w+)"', asked.text)
    assert sure is not None
    done = send(counter, f"correct/{old.event_id}", "jump", **{**given, "sure": sure[1]})
    assert done.status_code == 303
    assert served.events("complaint")[-1].odometer == 985_000


def test_whom_to_call_and_what_was_promised(counter: Any, served: Served) -> None:
    tomorrow = (today() + timedelta(1)).isoformat()
    came = {"step": "arrived", "promised": tomorrow, "promised_time": "16:00"}
    assert send(counter, "visit", **came).status_code == 303
    assert served.events("visit")[-1].data() == came
    assert "promised for tomorrow, 16:00" in settled(counter, "/day")
    offer = {"job:0": "horn", "take:0": "yes", "price:0": "60", "on": "2026-05-04"}
    assert send(counter, "estimate", **offer).status_code == 303
    estimate = served.events("estimate")[-1].event_id
    answer = {"estimate": estimate, "a:1": "declined", "on": "2026-05-04"}
    assert send(counter, "answer", **answer).status_code == 303
    while "being worked" in (told := str(counter.get("/calls").text)):
        time.sleep(0.1)
    assert "horn" in told
    assert "declined" in told


def test_a_vehicle_is_read_by_the_adapter_of_the_page(tmp_path: Path, host: PluginHost) -> None:
    ledger = shop(tmp_path / "shop.db")
    with Responder(CAN).on_socket() as port, serving(ledger, host, adapter=port) as served:
        with httpx.Client(base_url=served.url, trust_env=False, timeout=60) as client:
            client.get("/")
            assert 'name="read"' in client.get("/v/van-3/scan").text
            both = send(client, "scan", "both", read="yes", pasted="P0301")
            assert both.status_code == 422
            for _ in range(2):
                assert send(client, "scan", "read", read="yes").status_code == 303
        (scan,) = served.events("scan")
        assert {"code": "P0171", "status": "pending"} in scan.data()["modules"][0]["codes"]


def test_what_is_asked_and_refused_is_said_in_spanish(counter: Any) -> None:
    counter.get("/language/es")
    found = {
        "jump": send(counter, "complaint", "j", complaint="clunk", odometer="985,000"),
        "sound": send(counter, "look-over", "s", words="tie rod end L ok"),
        "private": send(counter, "complaint", "p", complaint="Mr. Venn says it pulls"),
        "nothing": send(counter, "look-over", "n"),
        "set": send(counter, "wheels", "w", stored="summer"),
        "vehicle": counter.get("/v/nobody"),
    }
    for name, answer in found.items():
        assert answer.status_code in (404, 409, 422), name
        alert = re.search(r'(?s)<section class="alert".*?</section>|<main>.*</main>', answer.text)
        assert alert is not None, name
        assert 'lang="en"' not in alert[0], (name, alert[0])
