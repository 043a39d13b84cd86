"""Sheets, rules and schedules as a shop meets them: printed, copied, changed, filled in."""

import csv
import re
import tomllib
from io import StringIO
from pathlib import Path

import pytest
from commandline import Run

NAMES = (
    "heavy_vehicle", "light_vehicle", "van_or_light_truck", "inspection_us_federal",
    "schedule_common_practice",
)  # fmt: skip


def payload(shop: Run) -> dict[str, object]:
    rows = shop("history", "bus-7", "--format", "json").json()
    return rows[-1]["payload"]  # type: ignore[index, no-any-return]


def test_everything_that_ships_is_listed_and_printed(run: Run) -> None:
    listed = run("sheets", "--format", "json").json()
    assert [row["sheet"] for row in listed if row["sheet"] != "words"] == [*NAMES]  # type: ignore[index]
    assert tomllib.loads(run("sheets", "words").out)["short"]
    for name in NAMES:
        printed = run("sheets", name)
        assert printed.code == 0
        assert tomllib.loads(printed.out)["item"]
    unknown = run("sheets", "schedule_common_practise")
    assert unknown.code == 2
    assert "did you mean schedule_common_practice?" in unknown.err
    assert run("sheets", "--blank").code == 2


def test_a_sheet_of_ones_own_by_path_and_by_the_environment(
    shop: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = shop("sheets", "light").out.replace('limit = "2"\n', 'limit = "3"\n', 1)
    (tmp_path / "ours.toml").write_text(own)
    assert "55 items" in shop("sheets", "ours.toml").out
    typed = ("record", "inspection", "bus-7", "tire LF 5/64 in")
    assert "wearing" in shop(*typed).out
    failed = shop(*typed, "--sheet", "ours.toml")
    assert (failed.code, "failed" in failed.out) == (0, True), failed.err
    assert payload(shop)["sheet"] == "ours"
    monkeypatch.setenv("ROADWORN_SHEET", str(tmp_path / "ours.toml"))
    assert "failed" in shop(*typed).out
    monkeypatch.setenv("ROADWORN_SHEET", "none.toml")
    refused = shop(*typed)
    assert refused.code == 2
    assert refused.err.startswith("ROADWORN_SHEET of the environment: There is no file none.toml")


def test_a_truck_is_judged_by_a_trucks_limits(shop: Run) -> None:
    """49 CFR 393.75(b): 4/32 in on the steer axle; a car's 2/32 in would pass 3/32 in."""
    assert "wearing" in shop("record", "inspection", "bus-7", "tire 1L 3/32 in").out
    shop("record", "profile", "bus-7", "--weight-class", "26,000 lb")
    failed = shop("record", "inspection", "bus-7", "tire 1L 3/32 in")
    assert "failed" in failed.out
    assert "393.75(b)" in failed.err
    assert "SAFETY" in failed.err


def test_a_size_is_recorded_once(shop: Run) -> None:
    """49 CFR 570.7 Table 1: 18 in, 2 1/4 in, at the limit passes."""
    asked = shop("record", "inspection", "bus-7", "steering column 2 1/4 in")
    assert asked.code == 2
    assert "add it, as 'steering wheel diameter 16 in'" in asked.err
    kept = shop("record", "inspection", "bus-7", "steering wheel diameter 18 in")
    assert kept.code == 0
    assert "not checked, steering wheel diameter 18 in" in kept.out
    passed = shop("record", "inspection", "bus-7", "steering column 2 1/4 in")
    assert (passed.code, "sound" in passed.out) == (0, True), passed.err
    outlook = shop("analyse", "inspection-outlook", "--vehicle", "bus-7", "--format", "json")
    assert "steering wheel free play" in outlook.out
    assert "depends on the steering wheel diameter" not in outlook.out


def filled_in(text: str, **answers: dict[str, str]) -> str:
    """Return a blank table with cells of some items filled in, by the item's name."""
    table = list(csv.DictReader(StringIO(text)))
    for row in table:
        row.update(answers.get(f"{row['item']} {row['place']}".strip(), {}))
    out = StringIO()
    writer = csv.DictWriter(out, table[0], lineterminator="\n")
    writer.writeheader()
    writer.writerows(table)
    return out.getvalue()


def test_a_blank_table_filled_in_becomes_one_look_over(shop: Run, tmp_path: Path) -> None:
    blank = shop("sheets", "light", "--blank")
    assert blank.code == 0
    text = filled_in(
        blank.out,
        **{
            "Horn": {"condition": "s"},
            "Tire tread LF": {"measured": "6"},
            "Tire tread RF": {"measured": "1.6 mm"},
            "Tire tread LR": {"measured": "1/32"},
            "Steering wheel free play": {"measured": "2.25", "size": "18"},
        },
    )
    (tmp_path / "look.csv").write_text(text)
    words = ("record", "inspection", "bus-7", "--sheet", "light", "--filled", "look.csv")
    taken = shop(*words, "--odometer", "61,100 mi")
    assert taken.code == 0, taken.err
    told = payload(shop)
    found = {
        (f["component"], f.get("position")): f["condition"]
        for f in told["findings"]  # type: ignore[attr-defined]
    }
    # 49 CFR 570.9(a): 2/32 in = 1.5875 mm; 570.7 Table 1: 18 in, 2 1/4 in.
    assert found == {
        ("wheel.tire", "LF"): "sound",
        ("wheel.tire", "RF"): "wearing",
        ("wheel.tire", "LR"): "failed",
        ("steering.column", None): "sound",
    }
    assert told["sound"] == [{"component": "electrical.horn"}]
    assert {"component": "wheel.tire", "position": "RR"} in told["not_checked"]  # type: ignore[operator]
    assert told["rest"] == "not_checked"
    assert "SAFETY: tire LR failed" in taken.err
    again = shop(*words, "--odometer", "61,100 mi")
    assert (again.code, "stands as event" in again.err) == (3, True)
    assert shop(*words, "--on", "2026-05-20").code == 0
    assert shop(*words, "--rest", "sound").code == 0
    told = payload(shop)
    assert told["rest"] == "sound"
    assert told["not_checked"] == []


def test_wrong_cells_are_all_named_and_nothing_is_written(shop: Run, tmp_path: Path) -> None:
    text = filled_in(
        shop("sheets", "light", "--blank").out,
        **{"Horn": {"condition": "x"}, "Tire tread LF": {"measured": "3-Mar"}},
    )
    (tmp_path / "look.csv").write_text(text)
    before = shop("history", "bus-7", "--format", "json").out
    refused = shop("record", "inspection", "bus-7", "--filled", "look.csv")
    assert refused.code == 1
    assert "look.csv:2:condition: The condition cannot be 'x'" in refused.err
    assert "measured: '3-Mar' is a date and no figure" in refused.err
    assert shop("history", "bus-7", "--format", "json").out == before
    both = shop("record", "inspection", "bus-7", "horn sound", "--filled", "look.csv")
    assert both.code == 2
    assert shop("record", "inspection", "bus-7", "--filled", "none.csv").code == 4
    as_table = shop("import", "look.csv")
    assert "roadworn record inspection VEHICLE --filled FILE" in as_table.err


def test_rules_and_schedule_of_ones_own(
    shop: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop("record", "inspection", "bus-7", *(f"tire {w} 2/32 in" for w in ("LF", "RF", "LR", "RR")))
    rules = shop("sheets", "inspection_us_federal").out
    (tmp_path / "state.toml").write_text(rules.replace('limit = "2"', 'limit = "3"'))
    words = ("analyse", "inspection-outlook", "--vehicle", "bus-7", "--wide")
    assert re.search(r"tire tread +pass", shop(*words).out)
    assert re.search(r"tire tread +fail", shop(*words, "rules=state.toml").out)
    # Kept, it holds for the outlook and for all else that goes by a limit.
    monkeypatch.setenv("ROADWORN_RULES", "state.toml")
    assert re.search(r"tire tread +fail", shop(*words).out)
    assert re.search(r"tire tread +pass", shop(*words, "rules=inspection_us_federal").out)
    assert "limit 3" in shop("outlook", "bus-7").out
    (tmp_path / "state.toml").write_text(rules.replace('limit = "2"', 'limitt = "3"'))
    refused = shop(*words)
    assert refused.err.startswith("ROADWORN_RULES of the environment: The rule set state.toml")
    monkeypatch.delenv("ROADWORN_RULES")
    refused = shop(*words, "rules=state.toml")
    assert refused.code == 2
    assert refused.err.count("\n") == 1
    assert "state.toml" in refused.err
    assert "did you mean limit?" in refused.err
    schedule = shop("sheets", "schedule_common_practice").out
    (tmp_path / "plan.toml").write_text(schedule.replace("engine.oil", "engine.oill"))
    monkeypatch.setenv("ROADWORN_SCHEDULE", "plan.toml")
    assert "ROADWORN_SCHEDULE" in shop("analyse", "maintenance-due").err
    refused = shop("analyse", "maintenance-due", "schedule=plan.toml")
    assert refused.code == 2
    assert "plan.toml" in refused.err
    assert "did you mean engine.oil?" in refused.err
