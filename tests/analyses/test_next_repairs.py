"""What `next-repairs` prints on a small ledger, and what it says when it knows little."""

import io
import tempfile
from contextlib import redirect_stdout
from datetime import date
from pathlib import Path

import builders
import pytest
from builders import found, looked, usd

from roadworn.analysis import Result
from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_cli.results import show_table
from roadworn_plugins.ahead import NEXT_REPAIRS
from roadworn_plugins.ahead.quarters import months_from

GOLDEN = Path(__file__).parent / "golden" / "next_repairs.txt"


def vehicle(name: str, kind: str = "van", parts: str = "original") -> list[NewEvent]:
    """New on 2022-01-01, 1,000 mi a month, read twice a year up to 2025-12-31."""
    rows = [
        event(
            name,
            "enrolment",
            "2022-01-01",
            odometer=0,
            vehicle_class=kind,
            parts=parts,
            in_service_date="2022-01-01",
        )
    ]
    for half in range(1, 9):
        day = f"{2022 + (half - 1) // 2}-{'06-30' if half % 2 else '12-31'}"
        rows.append(event(name, "odometer_reading", day, odometer=6000 * half))
    return rows


def replaced(name: str, day: str, miles: float, component: str, cost: str, **more: str) -> NewEvent:
    rate = usd("90")
    return builders.replaced(
        name, day, component, cost, odometer=miles, labour_hours=1.0, labour_rate=rate, **more
    )


def small_shop() -> list[NewEvent]:
    rows = [e for i in range(6) for e in vehicle(f"van-{i}", parts="original" if i else "unknown")]
    for i, (year, miles) in enumerate(((2024, 24_500), (2024, 26_000), (2025, 37_000))):
        rows.append(
            replaced(f"van-{i}", f"{year}-01-2{i}", miles, "cooling.water_pump", f"{200 + 20 * i}")
        )
    rows += [
        replaced(f"van-{i}", f"2023-07-1{i}", 18_500, "brake.pad", "110.00", position="front")
        for i in range(6)
    ]
    rows.append(replaced("van-4", "2025-03-01", 38_000, "electrical.alternator", "420.00"))
    rod = found("steering.tie_rod_outer", "failed", "L", safety=True)
    rows.append(looked("van-1", "2025-12-01", rod))
    return sorted(rows, key=lambda e: (e.occurred_at, e.vehicle_id))


def printed(result: Result) -> str:
    out = io.StringIO()
    with redirect_stdout(out):
        print(result.headline)
        for table in result.tables:
            show_table(table)
        print()
        for caveat in result.caveats:
            print(f"- {caveat}")
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"


def golden_text(folder: Path) -> str:
    with view_of(small_shop(), folder, as_of="2026-01-01") as view:
        text = printed(check_analysis(NEXT_REPAIRS, view))
        return text + "\n" + printed(check_analysis(NEXT_REPAIRS, view, {"vehicle": "van-1"}))


def test_golden_print(tmp_path: Path) -> None:
    """After a wanted change run this file as a program, and read the difference."""
    assert golden_text(tmp_path) == GOLDEN.read_text(encoding="utf-8")


def test_what_has_failed_is_due_and_not_likely(tmp_path: Path) -> None:
    rows = small_shop()
    rows.append(
        event(
            "van-1",
            "inspection",
            "2025-12-02",
            findings=[
                {"component": "brake.pad", "position": "LF", "condition": "failed", "safety": True}
            ],
        )
    )
    settings = {"vehicle": "van-1", "least_chance": 0.0}
    with view_of(rows, tmp_path, as_of="2026-01-01") as view:
        result = check_analysis(NEXT_REPAIRS, view, settings)
    due = {row["component"] for row in result.table("due_now").records()}
    likely = {row["component"] for row in result.table("next_repairs").records()}
    assert "brake.pad" in due
    assert "brake.pad" not in likely
    assert "cooling.water_pump" in likely


def test_a_fresh_ledger_falls_back_to_the_trade_range_and_says_so(tmp_path: Path) -> None:
    """One vehicle, one part fitted ahead of time: nothing ever failed here."""
    rows = vehicle("van-0")[:3]
    rows.append(
        replaced("van-0", "2023-01-02", 12_000, "cooling.water_pump", "210", reason="preventive")
    )
    with view_of(rows, tmp_path, as_of="2023-02-01") as view:
        result = check_analysis(NEXT_REPAIRS, view, {"least_chance": 0.0, "months": 36})
    (row,) = result.table("next_repairs").records()
    assert row["component"] == "cooling.water_pump"
    assert "none failed here" in str(row["basis"])
    assert "trade range, no source" in str(row["basis"])
    assert any("trade range stands in" in caveat for caveat in result.caveats)
    # 60,000 to 120,000 mi in the catalogue: seldom in the first 36,000.
    assert 0.0 < float(row["chance"]) < 0.25
    assert result.estimates[0].failures == 0


def test_a_single_failure_is_never_advice_without_saying_so(tmp_path: Path) -> None:
    rows = [*vehicle("van-0"), replaced("van-0", "2025-12-31", 48_000, "fuel.pump", "300")]
    rows.sort(key=lambda e: e.occurred_at)
    with view_of(rows, tmp_path, as_of="2026-01-01") as view:
        result = check_analysis(NEXT_REPAIRS, view, {"least_chance": 0.0, "months": 36})
    (row,) = result.table("next_repairs").records()
    assert str(row["basis"]).startswith("1 failed")
    if float(row["chance"]) >= 0.05:
        assert any("rests on a single failure" in caveat for caveat in result.caveats)


def sold(rows: list[NewEvent]) -> list[NewEvent]:
    """Let some vehicles leave, so that those to come are taken to leave as well."""
    gone = [
        event(name, "retirement", day, reason="sold")
        for name, day in (("van-0", "2025-02-01"), ("van-1", "2025-08-01"))
    ]
    left = {"van-0": "2025-02-01", "van-1": "2025-08-01"}
    kept = [e for e in rows if str(e.occurred_at)[:10] < left.get(e.vehicle_id, "2027")]
    return sorted([*kept, *gone], key=lambda e: e.occurred_at)


@pytest.mark.parametrize("leaving", [False, True], ids=["staying", "leaving"])
@pytest.mark.parametrize("by", ["quarter", "month"])
@pytest.mark.parametrize("months", [6.0, 12.0])
def test_the_quarters_add_up_to_the_totals(
    tmp_path: Path, months: float, by: str, leaving: bool
) -> None:
    rows = sold(small_shop()) if leaving else small_shop()
    with view_of(rows, tmp_path, as_of="2026-01-01") as view:
        result = check_analysis(NEXT_REPAIRS, view, {"months": months, "by": by})
    coming = [row for row in result.table(f"by_{by}").records() if row["state"] == "expected"]
    step = {"quarter": 3, "month": 1}[by]
    assert [row[by] for row in coming] == list(range(1, 12 // step + 1))
    quarters = [float(row["cost"]) for row in coming]
    totals = {row["months"]: row for row in result.table("totals").records()}
    total = totals[int(months)]
    assert sum(quarters[: int(months / step)]) == pytest.approx(float(total["expected"]))
    assert float(total["expected"]) == pytest.approx(result.estimates[0].value)
    # What is shared by the quarters (rates, prices, pace) makes their bands add up to more than
    # the band of the whole; no band is wider than the whole one.
    wide = [float(row["high"]) - float(row["low"]) for row in coming]
    whole = float(totals[12]["high"]) - float(totals[12]["low"])
    assert max(wide) < whole < sum(wide)
    assert all(row["low"] <= row["cost"] <= row["high"] for row in coming)


def test_what_is_done_by_the_axle_is_one_row_with_one_name(tmp_path: Path) -> None:
    """Pads of one wheel and of its axle are one job: not two names with one chance."""
    rows = small_shop()
    rows += [
        event("van-1", "replacement", f"2025-0{n}-10", component="brake.pad", position=place,
              reason="failed", parts_cost=usd("200.00"))
        for n, place in ((6, "front"), (7, "LF"))
    ]  # fmt: skip
    rows.sort(key=lambda e: e.occurred_at)
    with view_of(rows, tmp_path, as_of="2026-01-01") as view:
        result = check_analysis(NEXT_REPAIRS, view, {"vehicle": "van-1", "least_chance": 0.0})
    named = [str(row["what"]) for row in result.table("next_repairs").records()]
    assert [name for name in named if "brake pads" in name] == ["disc brake pads front"]


def oil(vehicle: str, *days: str, cost: str = "90.00"):
    return [
        event(vehicle, "maintenance", day, component="engine.oil", action="replaced",
              parts_cost=usd(cost))
        for day in days
    ]  # fmt: skip


@pytest.mark.parametrize(("by", "spans"), [("quarter", 4), ("month", 12)])
def test_services_stand_beside_failures_and_the_sum_of_both(
    tmp_path: Path, by: str, spans: int
) -> None:
    """A van whose oil was changed each half-year, last on 2025-10-01: twice 90 in the year."""
    rows = small_shop()
    rows += oil("van-1", "2023-10-01", "2024-04-01", "2024-10-01", "2025-04-01", "2025-10-01")
    rows.sort(key=lambda e: e.occurred_at)
    with view_of(rows, tmp_path, as_of="2026-01-01") as view:
        result = check_analysis(NEXT_REPAIRS, view, {"by": by})
    table = result.table("money_ahead").records()
    assert [row["what"] for row in table] == ["failures", "services", "both"] * spans
    failures, services, both = (table[i::3] for i in range(3))
    failing = [row for row in result.table(f"by_{by}").records() if row["state"] == "expected"]
    assert [row["expected"] for row in failures] == [row["cost"] for row in failing]
    assert sum(float(row["expected"]) for row in services) == pytest.approx(2 * 90.0, rel=0.02)
    # What a board is told is the year of both, and beside it what all work of a year cost.
    year, other = result.estimates[1:]
    assert sum(float(row["expected"]) for row in both) == pytest.approx(year.value, abs=0.1)
    assert year.low < year.value < year.high
    # Oil is by the plan and every replacement here was a failure: nothing else was paid for.
    assert other.value == 0.0
    last = [row for row in result.table(f"by_{by}").records() if row["state"] == "actual"]
    spent = sum(float(row["spent"]) for row in last[-spans:])
    assert f"All work of the last 12 months came to {spent:,.0f}," in result.headline
    for one, other, sum_ in zip(failures, services, both, strict=True):
        assert float(sum_["expected"]) == pytest.approx(
            float(one["expected"]) + float(other["expected"])
        )
        wide = [float(row["high"]) - float(row["low"]) for row in (one, other, sum_)]
        assert max(wide[:2]) <= wide[2] <= sum(wide[:2]) + 1e-9
    assert not any("sums of services come without" in caveat for caveat in result.caveats)


def test_a_sum_of_services_without_a_price_says_so(tmp_path: Path) -> None:
    rows = small_shop()
    rows.append(event("van-1", "maintenance", "2025-01-02", component="hvac.cabin_filter",
                      action="replaced"))  # fmt: skip
    rows += oil("van-1", "2025-10-01")
    rows.sort(key=lambda e: e.occurred_at)
    with view_of(rows, tmp_path, as_of="2026-01-01") as view:
        asked = {"vehicle": "van-1", "by": "quarter", "least_parts": 0}
        result = check_analysis(NEXT_REPAIRS, view, asked)
    (said,) = [c for c in result.caveats if "sums of services come without" in c]
    assert "cabin" in said
    assert "by_quarter" not in {table.name for table in result.tables}


def test_past_quarters_hold_what_was_written_down(tmp_path: Path) -> None:
    """Counted by hand from `small_shop`: 90 of labour on top of each price."""
    rows = small_shop()
    rows += [
        replaced("van-5", "2025-12-30", 47_900, "engine.drive_belt", "40", reason="preventive"),
        event("van-5", "replacement", "2025-12-30", odometer=47_900, component="fuel.pump",
              reason="failed"),
    ]  # fmt: skip
    with view_of(rows, tmp_path, as_of="2026-01-01") as view:
        table = check_analysis(NEXT_REPAIRS, view).table("by_quarter")
    past = [row for row in table.records() if row["state"] == "actual"]
    days = [(str(row["from"]), str(row["until"])) for row in past]
    assert days[0] == ("2024-01-02", "2024-04-01")
    assert days[-1] == ("2025-10-02", "2026-01-01")
    paid = [(row["failures"], row["cost"], row["spent"], row["unpriced"]) for row in past]
    assert paid == [
        (2, 290.0 + 310.0, 600.0, 0),  # two coolant pumps, January 2024
        *[(0, 0.0, 0.0, 0)] * 3,
        (2, 330.0 + 510.0, 840.0, 0),  # a pump on 2025-01-22 and an alternator on 2025-03-01
        *[(0, 0.0, 0.0, 0)] * 2,
        (1, 0.0, 130.0, 1),  # a failure without a price, a preventive belt
    ]


def test_a_young_ledger_has_no_past_quarter(tmp_path: Path) -> None:
    with view_of(vehicle("van-0")[:1], tmp_path, as_of="2022-03-20") as view:
        table = check_analysis(NEXT_REPAIRS, view, {"least_parts": 0}).table("by_quarter")
    assert {row["state"] for row in table.records()} == {"expected"}


@pytest.mark.parametrize(
    ("day", "months", "there"),
    [
        ("2024-05-31", -3, "2024-02-29"),
        ("2023-12-31", 2, "2024-02-29"),
        ("2026-11-20", 3, "2027-02-20"),
        ("2026-12-31", 12, "2027-12-31"),
        ("2026-01-01", -1, "2025-12-01"),
    ],
)
def test_the_same_day_of_another_month(day: str, months: int, there: str) -> None:
    """Worked out by hand on a calendar."""
    assert months_from(date.fromisoformat(day), months) == date.fromisoformat(there)


def test_nothing_on_record_is_said_plainly(tmp_path: Path) -> None:
    with view_of(vehicle("van-0"), tmp_path, as_of="2026-01-01") as view:
        result = check_analysis(NEXT_REPAIRS, view)
    assert result.headline.startswith("Too few to tell what the coming months cost")
    assert "no fitted part has both a life and a price" in result.headline
    # What cannot be told is not drawn as nothing either.
    assert {"totals", "by_quarter", "stock"}.isdisjoint(table.name for table in result.tables)


def test_a_vehicles_name_keeps_its_capitals(tmp_path: Path) -> None:
    with view_of(vehicle("Bus-7")[:1], tmp_path, as_of="2026-01-01") as view:
        result = check_analysis(NEXT_REPAIRS, view, {"vehicle": "Bus-7"})
    assert result.headline.startswith("Too few to tell what the coming months cost: of Bus-7 no")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        GOLDEN.write_text(golden_text(Path(made)), encoding="utf-8")
