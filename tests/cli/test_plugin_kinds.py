"""Event kinds that a plugin brings are written, corrected, imported and told like the core's."""

from collections.abc import Callable
from pathlib import Path

import orjson
import pytest
from commandline import Run

from roadworn.analysis.host import PluginHost, hookimpl
from roadworn.model.kinds import EventKind
from roadworn.model.payloads import Payload

History = Callable[[], list[dict[str, object]]]


class Wash(Payload):
    """A wash, for this test."""

    litres: int
    hot: bool = False


class WashPlugin:
    @hookimpl
    def roadworn_event_kinds(self) -> list[EventKind]:
        return [EventKind("myshop.wash", Wash)]


@pytest.fixture(autouse=True)
def installed(monkeypatch: pytest.MonkeyPatch) -> None:
    def load(*_: object) -> PluginHost:
        host = PluginHost()
        host.register(WashPlugin(), "myshop")
        return host

    monkeypatch.setattr(PluginHost, "load", load)


def test_written_corrected_and_told(shop: Run, history: History) -> None:
    done = shop("record", "other", "myshop.wash", "bus-7", "litres=80", "hot=yes")
    assert done.code == 0, done.err
    assert history()[-1]["payload"] == {"litres": 80, "hot": True}
    assert shop("correct", done.event, "litres=90").code == 0
    told = shop("history", "bus-7", "--kind", "myshop.wash")
    assert told.code == 0, told.err
    assert "litres: 90" in told.out
    wrong = shop("record", "other", "myshop.wash", "bus-7", "litres=many")
    assert wrong.code == 2
    assert "litres cannot be 'many'" in wrong.err


def test_imported(shop: Run, history: History, tmp_path: Path) -> None:
    event = {
        "vehicle_id": "bus-7",
        "kind": "myshop.wash",
        "occurred_at": "2026-05-04",
        "payload": {"litres": 80},
    }
    (tmp_path / "wash.ndjson").write_bytes(orjson.dumps(event))
    done = shop("import", "wash.ndjson")
    assert done.code == 0, done.err
    assert history()[-1]["kind"] == "myshop.wash"
