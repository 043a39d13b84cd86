"""Event kinds that a plugin brings are written, corrected, imported and told like the core's."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated

import orjson
import pytest
from commandline import Run
from pydantic import Field

from roadworn.analysis import Settings
from roadworn.analysis.brought import Command
from roadworn.analysis.host import PluginHost, hookimpl
from roadworn.model.kinds import EventKind
from roadworn.model.payloads import Payload

History = Callable[[], list[dict[str, object]]]


class Wash(Payload):
    """A wash, for this test."""

    litres: int
    hot: bool = False


class BillSettings(Settings):
    """What a bill may be asked about."""

    price: Annotated[float, Field(description="for a wash")] = 4.5


def bill(_view: object, settings: BillSettings) -> str:
    return f"{settings.price:.2f}"


class WashPlugin:
    @hookimpl
    def roadworn_commands(self) -> list[Command]:
        return [Command("bill", "What the washes come to.", bill, BillSettings)]

    @hookimpl
    def roadworn_event_kinds(self) -> list[EventKind]:
        return [EventKind("myshop.wash", Wash)]


@pytest.fixture(autouse=True)
def installed(monkeypatch: pytest.MonkeyPatch) -> None:
    def load(without: Sequence[str] = (), *_: object) -> PluginHost:
        host = PluginHost()
        if "myshop" not in without:
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


def test_a_command_of_a_plugin_that_is_left_out_is_not_there(shop: Run) -> None:
    assert shop("myshop", "bill", "price=5").out == "5.00\n"
    left_out = shop("--without", "myshop", "myshop", "bill")
    assert (left_out.code, left_out.out) == (2, "")
    assert "There is no `roadworn myshop`" in left_out.err


def test_a_command_of_a_plugin_tells_its_settings_and_its_text_is_json_too(shop: Run) -> None:
    told = shop("myshop", "bill", "-h")
    assert told.code == 0, told.err
    assert "price=4.5 (for a wash)" in " ".join(told.out.split())
    assert "list[str]" not in told.out
    assert "[SETTING=VALUE]..." in told.out
    assert orjson.loads(shop("myshop", "bill", "--format", "json").out) == "4.50"


@pytest.mark.parametrize(("word", "kind"), [("odometer", "odometer_reading"), ("hours", "hours_r")])
def test_a_kind_is_found_by_a_part_of_its_name(
    shop: Run, tmp_path: Path, word: str, kind: str
) -> None:
    line = {"vehicle_id": "bus-7", "kind": word, "occurred_at": "2026-05-04", "payload": {}}
    (tmp_path / "wash.ndjson").write_bytes(orjson.dumps(line))
    done = shop("import", "wash.ndjson")
    assert done.code == 1
    assert f"did you mean {kind}" in done.err


def test_a_kind_that_is_typed_as_a_verb_is_shown_its_verb(shop: Run) -> None:
    done = shop("record", "myshop.wash", "bus-7", "80")
    assert done.code == 2
    assert "`roadworn record other myshop.wash`" in done.err
