"""Every kind of event can be told in one line."""

from collections.abc import Iterator
from pathlib import Path

import orjson
import pytest

from roadworn.model.kinds import CORE_KINDS
from roadworn.say import Speaker, languages
from roadworn.say.telling import describe

GOLDEN = Path(__file__).parents[1] / "model" / "golden"
EVENT = "01890000-0000-7000-8000-000000000001"
MONEY = {"amount": "84.50", "currency": "USD"}
EXAMPLES = {
    "enrolment": ({"make": "Acme", "model_year": 2014, "vin": "V"}, ["Acme", "2014", "VIN V"]),
    "profile_change": ({"duty": "school run"}, ["school run"]),
    "odometer_reading": ({"how": "module", "status": "not_actual"}, ["module", "not actual"]),
    "odometer_exchange": (
        {"old_reading": 98400.0, "new_reading": 12.0, "unit": "mi"},
        ["98,400 mi", "12 mi"],
    ),
    "inspection": (
        {
            "findings": [
                {
                    "component": "brake.pad",
                    "position": "front",
                    "condition": "failed",
                    "safety": True,
                    "measurements": [{"value": 1.0, "unit": "mm"}],
                    "note": "scored",
                }
            ],
            "sound": [{"component": "electrical.horn"}],
            "rest": "not_checked",
        },
        ["disc brake pads front 1 mm failed (safety), scored", "horn", "else not checked"],
    ),
    "scan": (
        {
            "modules": [
                {"name": "engine", "codes": [{"code": "P0171", "status": "pending"}]},
                {"name": "ABS", "outcome": "failed"},
            ],
            "lamp": "on",
        },
        ["P0171 pending", "ABS: no answer", "lamp on"],
    ),
    "replacement": (
        {
            "component": "wheel.bearing",
            "position": "LF",
            "reason": "worn_out",
            "quantity": 2,
            "part_kind": "new",
            "supplier": "Harbour Parts",
            "parts_cost": MONEY,
            "labour_hours": 1.5,
            "labour_rate": {"amount": "95", "currency": "USD"},
            "warranty_months": 24,
            "along_with": "suspension.strut",
        },
        ["LF replaced, worn out", "2 of them", "Harbour Parts", "84.50 USD", "1.5 h at 95 USD"],
    ),
    "repair": ({"component": "brake.line", "correction": "bent clear"}, ["bent clear"]),
    "maintenance": ({"component": "engine.oil", "action": "filled"}, ["filled"]),
    "work_test": ({"test": "test_drive", "result": "failed"}, ["test drive failed"]),
    "estimate": (
        {"lines": [{"line": 1, "component": "brake.pad", "amount": MONEY}]},
        ["1) disc brake pads 84.50 USD"],
    ),
    "authorisation": (
        {"estimate": EVENT, "decisions": [{"line": 1, "decision": "declined"}]},
        ["line 1 declined"],
    ),
    "complaint": ({"complaint": "clunk", "cause": "link"}, ["clunk", "cause: link"]),
    "photograph": (
        {"digest": "2c" * 32, "media": "image/png", "size": 1840, "component": "brake.hose"},
        ["brake hose", "1,840 bytes", "image/png", "2c2c2c2c"],
    ),
    "valuation": ({"value": MONEY, "source": "trade list"}, ["84.50 USD", "trade list"]),
    "inspection_result": (
        {"inspection": "safety", "result": "not_tested", "items": ["horn"]},
        ["safety inspection: not tested", "horn"],
    ),
    "retirement": ({"reason": "written_off", "price": MONEY}, ["written off", "84.50 USD"]),
    "visit": (
        {"step": "arrived", "promised": "2026-05-06"},
        ["came into the shop", "promised for 2026-05-06"],
    ),
    "out_of_service": (
        {"cause": "waiting_for_parts", "days": 3.5, "until": "2026-05-06"},
        ["out of service: waiting for parts", "for 3.5 days", "until 2026-05-06"],
    ),
    "back_in_service": ({}, ["back in service"]),
    "energy": (
        {"amount": 61.2, "amount_unit": "l", "cost": MONEY, "fill": "part"},
        ["61.2 l put in", "84.50 USD", "not full"],
    ),
    "hours_reading": ({"hours": 4521.5}, ["engine hours read: 4,521.5"]),
    "merge": ({"into": "bus-9"}, ["the same vehicle as bus-9"]),
    "wheels": (
        {
            "action": "swapped",
            "moves": [{"from_place": "LF", "to_place": "LR"}],
            "fitted": "winter",
            "stored": "summer",
            "storage": "rack 12",
        },
        ["LF>LR", "winter on", "summer off", "stored at rack 12"],
    ),
    "retraction": ({"event": EVENT, "reason": "typed twice"}, ["00000001", "typed twice"]),
}


def test_there_is_an_example_of_every_kind() -> None:
    assert set(EXAMPLES) == set(CORE_KINDS)


@pytest.mark.parametrize("kind", CORE_KINDS)
def test_the_line_holds_what_was_written(kind: str) -> None:
    payload, words = EXAMPLES[kind]
    CORE_KINDS[kind].model_validate_json(orjson.dumps(payload))
    told = describe(kind, payload)
    assert "\n" not in told
    for word in words:
        assert word in told


def test_a_note_and_a_foreign_component_are_told_as_they_are() -> None:
    told = describe("repair", {"component": "body.moonroof", "note": "left <script> open"})
    assert "body.moonroof" in told
    assert told.endswith("; left <script> open")


def test_a_bare_number_says_of_what_it_is() -> None:
    told = [
        describe("repair", {"component": component, "position": "1"})
        for component in ("engine.cover_gasket", "ignition.coil", "brake.pad")
    ]
    for text, place in zip(told, ("bank 1", "cylinder 1", "axle 1"), strict=True):
        assert place in text


def test_a_plugin_kind_is_told_field_by_field() -> None:
    assert describe("myshop.wash", {"litres": 80, "note": "hot"}) == "litres: 80, note: hot"


def texts_in(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list):
        for item in value.values() if isinstance(value, dict) else value:
            yield from texts_in(item)


@pytest.mark.parametrize("language", [code for code in languages() if code != "en"])
@pytest.mark.parametrize("file", sorted(GOLDEN.glob("*.json")), ids=lambda file: file.stem)
def test_a_history_is_told_in_another_language_but_for_what_was_typed(
    file: Path, language: str
) -> None:
    """The golden payloads hold every field of their kind."""
    payload = orjson.loads(file.read_bytes())
    told = describe(file.stem.split(".v")[0], payload)
    assert Speaker("en").say(told) == told
    said = Speaker(language).say(told)
    assert said != told
    english = [text for text, spoken in said.pieces if spoken == "en"]
    assert set(english) <= set(texts_in(payload))


@pytest.mark.parametrize(
    ("readiness", "told"),
    [
        # Bytes C and D of PID 01 (SAE J1979): what is supported, and what has not finished.
        ("0007E500", "monitors ready"),
        ("8307E541", "monitors not ready: catalyst, oxygen sensor heater"),
        ("0007E5E5", "no monitor has run yet"),
        ("typed", "readiness typed"),
    ],
)
def test_readiness_is_told_as_a_mechanic_says_it(readiness: str, told: str) -> None:
    assert describe("scan", {"modules": [], "readiness": readiness}) == f"scan: {told}"


@pytest.mark.parametrize("language", languages())
def test_every_monitor_has_a_name(language: str) -> None:
    for known in ("80", "88"):
        for bit in range(8):
            # One that has finished, so that it is no read-out of what was just cleared.
            both = 1 << bit | 1 << (bit + 1) % 8
            told = Speaker(language).say(
                describe("scan", {"readiness": f"00{known}{both:02X}{1 << bit:02X}"})
            )
            assert "_" not in told
            assert told.count(":") == 2


def test_amounts_have_their_thousands_marked_and_rules_are_named() -> None:
    value = {"amount": "9500.00", "currency": "USD"}
    assert describe("valuation", {"value": value, "source": "list"}) == (
        "valued at 9,500.00 USD (list)"
    )
    assert "the federal rules of the United States" in describe(
        "profile_change", {"inspected_by": "inspection_us_federal"}
    )
    ours = describe("profile_change", {"inspected_by": "ours.toml"})
    assert "inspected by ours.toml" in ours
