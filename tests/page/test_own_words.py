"""A shop's own words are understood wherever the page reads a part."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from page.conftest import Served
from page.test_guard import form
from page.test_photographs import photograph

httpx = pytest.importorskip("httpx")
pytest.importorskip("PIL", reason="photographs need the extra of the page")
OWN = """
[short]
wobbler = "horn"
[conditions]
yodelling = "wearing"
"""


@pytest.fixture
def asked(served: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    own = tmp_path / "ours.toml"
    own.write_text(OWN, encoding="utf-8")
    monkeypatch.setenv("ROADWORN_WORDS", str(own))
    with httpx.Client(base_url=served.url, trust_env=False, timeout=60) as client:
        client.get("/")
        yield client


def test_own_words_are_read_at_every_door_of_the_page(asked: Any, served: Served) -> None:
    price = {"job:0": "wobbler", "take:0": "yes", "price:0": "60", "currency": "USD"}
    for path, fields in (
        ("look-over", {"words": "wobbler yodelling"}),
        ("estimate", price),
        ("work", {"other": "wobbler", "how:other": "failed"}),
    ):
        answer = asked.post(f"/v/van-3/{path}", data=form(asked, key=f"own-words-{path}", **fields))
        assert answer.status_code == 303, answer.text
    fields = form(asked, key="own-words-photograph", about="wobbler")
    files = {"file": ("a.jpg", photograph())}
    assert asked.post("/v/van-3/photograph", data=fields, files=files).status_code == 303
    (look,) = [one for one in served.events("inspection") if one.source == "page"]
    assert [(f["component"], f["condition"]) for f in look.data()["findings"]] == [
        ("electrical.horn", "wearing")
    ]
    (estimate,) = served.events("estimate")
    assert estimate.data()["lines"][0]["component"] == "electrical.horn"
    for kind in ("replacement", "photograph"):
        (event,) = served.events(kind)
        assert event.data()["component"] == "electrical.horn"
