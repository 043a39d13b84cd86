"""Photographs: true pictures only, with nothing told in them, erased on request."""

import io
import re
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from page.conftest import TABLET, Device, Served, write
from page.test_guard import form, token

from roadworn.model.errors import UsageError
from roadworn.store.photographs import Photographs, media_of

httpx = pytest.importorskip("httpx")
pytest.importorskip("PIL", reason="photographs need the extra of the page")
from PIL import Image  # noqa: E402

from roadworn_cli.page.pictures import LONGEST_SIDE, cleaned  # noqa: E402

PLACE = "Harbor Lane 12"


def photograph(kind: str = "JPEG", size: tuple[int, int] = (64, 48), **more: Any) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, (180, 40, 40)).save(out, kind, **more)
    return out.getvalue()


def located() -> bytes:
    """A picture that says where it was taken and by what, and lies on its side."""
    exif = Image.Exif()
    exif[0x010E] = exif[0x0110] = PLACE  # ImageDescription and Model, Exif 2.32
    exif[0x0112] = 6  # Orientation: turn it by 90 degrees
    exif.get_ifd(0x8825)[0x001D] = "2026:05:04"  # GPSDateStamp
    return photograph(exif=exif, comment=PLACE.encode())


def noise(bytes_: int) -> bytes:
    """A picture of so many bytes: noise cannot be packed."""
    import random

    side = int((bytes_ / 3) ** 0.5) + 1
    out = io.BytesIO()
    pixels = random.Random(1).randbytes(side * side * 3)
    Image.frombytes("RGB", (side, side), pixels).save(out, "PNG", compress_level=0)
    return out.getvalue()


@pytest.fixture
def asked(served: Served) -> Iterator[Any]:
    with httpx.Client(base_url=served.url, trust_env=False, timeout=60) as client:
        client.get("/")
        yield client


def put(client: Any, data: bytes, name: str = "a.jpg", key: str = "", **fields: str) -> Any:
    more = {"key": key} if key else {}
    return client.post(
        "/v/van-3/photograph", data=form(client, **more, **fields), files={"file": (name, data)}
    )


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photograph_is_kept_by_its_digest(asked: Any, served: Served, kind: str) -> None:
    assert put(asked, photograph(kind), about="brake hose LR", note="cracked").status_code == 303
    (event,) = served.events("photograph")
    data = event.data()
    assert (data["component"], data["position"], data["note"]) == ("brake.hose", "LR", "cracked")
    answer = asked.get(f"/photograph/{data['digest']}")
    assert sha256(answer.content).hexdigest() == data["digest"]
    assert len(answer.content) == data["size"]
    assert answer.headers["content-type"] == data["media"] == "image/jpeg"
    assert "sandbox" in answer.headers["content-security-policy"]
    folder = served.ledger.with_name("shop.db.photographs")
    (kept,) = folder.iterdir()
    assert folder.stat().st_mode & 0o077 == kept.stat().st_mode & 0o077 == 0
    assert f'src="/photograph/{data["digest"]}"' in asked.get("/v/van-3/history").text


def test_what_a_camera_tells_is_taken_out() -> None:
    before = located()
    assert PLACE.encode() in before
    after = cleaned(before)
    assert PLACE.encode() not in after
    with Image.open(io.BytesIO(after)) as plain:
        assert not plain.getexif()
        assert "comment" not in plain.info
        assert plain.size == (48, 64)  # upright


@pytest.mark.parametrize(
    "data",
    [
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>",
        b"<html><script>1</script></html>",
        b"GIF89a" + b"\0" * 40,
        b"MZ" + b"\0" * 400,
        b"%PDF-1.7",
        b"\xff\xd8\xff" + b"<script>" * 40,
        b"\x89PNG\r\n\x1a\n" + b"\0" * 40,
        b"RIFF\0\0\0\0WEBP",
        photograph()[:200],
        b"",
    ],
    ids=["svg", "html", "gif", "program", "pdf", "jpeg", "png", "webp", "cut", "empty"],
)  # fmt: skip
def test_what_is_none_is_refused(asked: Any, served: Served, data: bytes) -> None:
    answer = put(asked, data)
    assert answer.status_code == 422
    assert re.search("no photograph|No photograph", answer.text)
    assert served.events("photograph") == []
    assert not served.ledger.with_name("shop.db.photographs").exists()


def test_a_photograph_that_no_event_names_does_not_stay(asked: Any, served: Served) -> None:
    assert put(asked, photograph(), by="").status_code == 422
    assert served.events("photograph") == []
    assert list(served.ledger.with_name("shop.db.photographs").iterdir()) == []


def test_a_picture_that_would_fill_the_memory_is_refused(asked: Any) -> None:
    bomb = io.BytesIO()
    Image.new("1", (12_000, 12_000)).save(bomb, "PNG")
    assert len(bomb.getvalue()) < 100_000
    answer = put(asked, bomb.getvalue())
    assert answer.status_code == 422
    assert "too many points" in answer.text


def test_a_photograph_of_twenty_megabytes(asked: Any, served: Served) -> None:
    data = noise(20_000_000)
    assert len(data) >= 20_000_000
    assert put(asked, data).status_code == 303
    (event,) = served.events("photograph")
    assert event.data()["size"] < 5_000_000
    with Image.open(io.BytesIO(asked.get(f"/photograph/{event.data()['digest']}").content)) as kept:
        assert max(kept.size) == LONGEST_SIDE
    # What is too large is refused before it is looked into.
    for size, status in ((25_100_000, 422), (27_000_000, 413)):
        large = photograph() + bytes(size)
        assert put(asked, large, key=f"0123456789abcd{status}").status_code == status
    assert len(served.events("photograph")) == 1


def test_the_same_photograph_sent_twice_is_one_event(asked: Any, served: Served) -> None:
    assert [put(asked, photograph()).status_code for _ in "12"] == [303, 303]
    assert len(served.events("photograph")) == 1


def test_it_is_erased_on_request_and_the_history_says_so(asked: Any, served: Served) -> None:
    put(asked, photograph())
    (event,) = served.events("photograph")
    digest = event.data()["digest"]
    assert asked.post(f"/v/car-1/erase/{event.event_id}", data=form(asked)).status_code == 404
    assert asked.post(f"/v/van-3/erase/{event.event_id}", data={"token": "x"}).status_code == 403
    assert asked.get(f"/photograph/{digest}").status_code == 200
    fields = {"token": token(asked)}
    assert asked.post(f"/v/van-3/erase/{event.event_id}", data=fields).status_code == 303
    assert asked.get(f"/photograph/{digest}").status_code == 404
    assert list(served.ledger.with_name("shop.db.photographs").iterdir()) == []
    history = asked.get("/v/van-3/history").text
    assert "photograph erased on request" in history
    assert f"/photograph/{digest}" not in history


def test_a_picture_that_was_exchanged_is_not_shown(asked: Any, served: Served) -> None:
    put(asked, photograph())
    (kept,) = served.ledger.with_name("shop.db.photographs").iterdir()
    kept.write_bytes(photograph(size=(10, 10)))
    assert asked.get(f"/photograph/{kept.stem}").status_code == 404


def test_no_name_leads_out_of_the_folder(tmp_path: Path) -> None:
    store = Photographs(tmp_path / "shop.db")
    (tmp_path / "shop.db").write_bytes(photograph())
    for name in ("../shop", "..", "", "A" * 64, f"{'a' * 63}/", "a" * 65):
        assert store.get(name) is None
        assert not store.erase(name)
    with pytest.raises(UsageError, match="no photograph"):
        store.put(b"<svg/>")
    assert media_of(b"") is None


@pytest.mark.slow
def test_one_is_taken_on_a_tablet(served: Served, device: Device, tmp_path: Path) -> None:
    page = device(TABLET)
    page.goto(f"{served.url}/v/van-3/photograph")
    none = tmp_path / "a.jpg"
    none.write_bytes(b"<script>document.title='run'</script>")
    page.set_input_files("#file", none)
    write(page)
    page.wait_for_selector("section.alert")
    assert "no photograph" in page.inner_text("section.alert")
    taken = tmp_path / "b.jpg"
    taken.write_bytes(photograph(size=(1200, 900)))
    page.set_input_files("#file", taken)
    page.fill("#note", "cracked at the bracket")
    page.click("button.write")
    page.wait_for_selector("[data-written]")
    page.goto(f"{served.url}/v/van-3/history")
    picture = page.locator("img[alt^=Photograph]")
    picture.scroll_into_view_if_needed()
    page.wait_for_timeout(500)
    assert picture.evaluate("one => one.naturalWidth") == 1200


def test_one_that_is_taken_without_network_is_sent_once(
    served: Served, device: Device, tmp_path: Path
) -> None:
    page = device(TABLET)
    page.goto(f"{served.url}/v/van-3/photograph")
    taken = tmp_path / "b.jpg"
    taken.write_bytes(photograph(size=(1200, 900)))
    page.context.set_offline(True)
    page.set_input_files("#file", taken)
    page.fill("#note", "cracked at the bracket")
    write(page)
    page.locator("#kept img").wait_for()
    assert "kept on this device" in page.inner_text("#net")
    assert served.events("photograph") == []
    page.context.set_offline(False)
    page.wait_for_selector("[data-written]")
    (event,) = served.events("photograph")
    assert (event.recorded_by, event.data()["note"]) == ("MK", "cracked at the bracket")
    page.goto(f"{served.url}/v/van-3/photograph")
    assert page.locator("#kept").is_hidden()
    # One that is asked about waits until somebody says what to do with it.
    page.set_input_files("#file", taken)
    page.fill("#about", "no such part")
    page.context.set_offline(True)
    write(page)
    page.locator("#kept img").wait_for()
    page.context.set_offline(False)
    page.locator("#net", has_text="something is asked").wait_for()
    assert len(served.events("photograph")) == 1
    page.click("text=Throw it away")
    page.locator("#kept").wait_for(state="hidden")
    page.reload()
    assert page.locator("#kept").is_hidden()


def test_it_stands_on_the_report_until_it_is_erased(
    asked: Any, served: Served, tmp_path: Path
) -> None:
    from roadworn_cli.main import main

    def report() -> str:
        # To a file: while the page is at work in this process, standard output is not ours.
        out = tmp_path / "report.html"
        words = ("report", "vehicle", "van-3", "-o", str(out), "--overwrite")
        assert main(("--ledger", str(served.ledger), *words)) == 0
        return out.read_text(encoding="utf-8")

    put(asked, photograph(), about="brake hose LR", note="cracked <b>here</b>")
    page = report()
    assert 'src="data:image/jpeg;base64,' in page
    assert "cracked &lt;b&gt;here" in page
    (event,) = served.events("photograph")
    asked.post(f"/v/van-3/erase/{event.event_id}", data={"token": token(asked)})
    assert "data:image/jpeg" not in report()
