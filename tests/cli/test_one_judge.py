"""One judge of a measured figure: every door says the same of it.

49 CFR 570.7 Table 1: free play at the steering wheel of at most 2 in at a diameter of 16 in, up
to 2 3/4 in at 22 in. So 2.8 in fails whatever the diameter, and 2.4 in hangs on it.
"""

from pathlib import Path

import pytest
from commandline import Run

HEAD = '"item","component","place","measure","unit","limit","measured","condition","size of","size"'


def steering(run: Run) -> dict[str, object]:
    told = run(
        "analyse", "inspection-outlook", "--vehicle", "bus-7",
        "--format", "json",
    )  # fmt: skip
    items = next(t for t in told.json()["tables"] if t["name"] == "items")
    return next(row for row in items["rows"] if row["item"] == "steering wheel free play")


def test_what_fails_at_every_size_fails_when_it_is_typed_alone(shop: Run) -> None:
    done = shop("record", "inspection", "bus-7", "steering column 2.8 in")
    assert done.code == 0
    assert "more than the limit of 2.75 in at any steering wheel diameter" in done.err
    assert "SAFETY" in done.err
    assert "2.8 in failed (safety)" in done.out


def test_what_fails_at_every_size_is_doubted_and_fails_in_the_outlook(shop: Run) -> None:
    done = shop("record", "inspection", "bus-7", "steering column 2.8 in wearing")
    assert done.code == 0
    assert "was written down as wearing, but 2.8 in is more than the limit of 2.75 in" in done.err
    assert ": failed on the sheet light_vehicle." in done.err
    assert steering(shop)["outcome"] == "fail"
    assert "past its limit" in shop("outlook", "bus-7").out


def test_what_hangs_on_the_size_asks_for_it_at_every_door(shop: Run, tmp_path: Path) -> None:
    alone = shop("record", "inspection", "bus-7", "steering column 2.4 in")
    assert alone.code == 2
    assert "its limit depends on the steering wheel diameter" in alone.err
    table = tmp_path / "filled.csv"
    table.write_text(
        f'{HEAD},"note"\n"Steering wheel free play","","","","","","2.4 in","","","",""\n'
    )
    filled = shop("record", "inspection", "bus-7", "--filled", str(table))
    assert filled.code == 1
    assert "The limit depends on the steering wheel diameter" in filled.err
    called = shop("record", "inspection", "bus-7", "steering column 2.4 in wearing")
    assert called.code == 0
    remedy = "record it once, as 'steering wheel diameter 16 in'"
    assert f"the limit depends on the steering wheel diameter; {remedy}" in called.err
    told = steering(shop)
    assert told["outcome"] == "not known"
    assert f"the limit depends on the steering wheel diameter; {remedy}" in str(told["detail"])


@pytest.mark.parametrize(("diameter", "outcome"), [("18 in", "fail"), ("20 in", "pass")])
def test_once_the_size_is_on_record_it_settles_what_hung_on_it(
    shop: Run, diameter: str, outcome: str
) -> None:
    size = f"steering column, steering wheel diameter {diameter}"
    shop("record", "inspection", "bus-7", size)
    done = shop("record", "inspection", "bus-7", "steering column 2.4 in wearing")
    assert ("but 2.4 in is more than the limit" in done.err) == (outcome == "fail")
    assert "depends on" not in done.err
    assert steering(shop)["outcome"] == outcome
