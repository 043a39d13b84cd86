"""Every example of `docs/import.md` gives what it says, and no key of a map lacks one."""

import re
from pathlib import Path

import pytest

from roadworn.intake import map_sections
from roadworn.intake.csv_map import parse_csv_map
from roadworn.intake.csv_rows import MappedRow, mapped_rows
from roadworn.model.kinds import KindRegistry

TEXT = (Path(__file__).parents[2] / "docs" / "import.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", TEXT, re.DOTALL)
BASE = next(body for kind, body in BLOCKS if kind == "toml")
EXAMPLES = [
    (BLOCKS[at][1], BLOCKS[at + 1][1], BLOCKS[at + 2][1])
    for at in range(len(BLOCKS) - 2)
    if [kind for kind, _ in BLOCKS[at : at + 3]] == ["csv", "toml", "text"]
]
_DEFAULT = {"part_kind": "unknown", "quantity": 1, "action": "replaced"}


def told(row: MappedRow) -> str:
    if row.event is None:
        return f"line {row.line}: {row.problems[0].code}"
    event, payload = row.event, dict(row.event.payload)
    words = [event.vehicle_id, event.occurred_at]
    if event.odometer is not None:
        words += [f"{event.odometer:g}", str(event.odometer_unit)]
    words += [event.kind, payload.pop("component", ""), payload.pop("position", "")]
    for name, value in sorted(payload.items()):
        if value != _DEFAULT.get(name):
            money = isinstance(value, dict)
            said = f"{float(value['amount']):.2f}{value['currency']}" if money else value
            words.append(f"{name}={said}")
    return " ".join(filter(None, words))


@pytest.mark.parametrize(("table", "toml", "gives"), EXAMPLES)
def test_each_example(table: str, toml: str, gives: str, tmp_path: Path) -> None:
    (tmp_path / "work.csv").write_text(table, encoding="utf-8")
    (tmp_path / "other.csv").write_text("Order,Day,Bus\n12,2026-05-04,bus-7\n", encoding="utf-8")
    parts = "Order,Part,Price\n12,AL-100,210.00\n12,BX-3,18.50\n13,OIL-5,31.25\n"
    (tmp_path / "parts.csv").write_text(parts, encoding="utf-8")
    whole = toml if "[columns]" in toml else f"{BASE}\n{toml}"
    rows = mapped_rows(tmp_path / "work.csv", parse_csv_map(whole), KindRegistry())
    assert [told(row) for row in rows if row.event or row.problems] == gives.splitlines()


def test_every_key_has_an_example() -> None:
    said = "\n".join(body for kind, body in BLOCKS if kind == "toml")
    for name in ("Layout", "Case", "EventPart", "Jobs", "Share", "Reversed", "Join"):
        for key in getattr(map_sections, name).model_fields:
            assert re.search(rf"^(?:\[jobs\.)?{key}(?: = |\])", said, re.MULTILINE), f"{name}.{key}"
    for section in ("kind", "aliases", "open"):
        assert re.search(rf"^{section} = ", said, re.MULTILINE), section
    for heading in ("constants", "units", "currency", "vehicles", "components", "values.reason"):
        assert f"[{heading}]" in said
    assert len(EXAMPLES) > 12
