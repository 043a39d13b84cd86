"""The demo's README says what the generator does: its table of lives is compared with it."""

import re
from collections import Counter
from pathlib import Path

from roadworn_demo import DEMO_TODAY, FEATURED, TRUTH, generate
from roadworn_demo.fleet import fleet
from roadworn_demo.truth import PartLife

README = Path(__file__).parents[2] / "demo_ledger" / "README.md"
SHOWN = {"drive": "fails on the road", "wear": "measured", "look": "found at a look-over"}


def lives_table() -> str:
    lines = ["| component | shape | scale | by class | comes to light |", "|---|---|---|---|---|"]
    for part in TRUTH.lives:
        unit = "days" if part.clock == "days" else "mi"
        lines.append(
            f"| `{part.component}` | {part.shape} | {part.scale:,.0f} {unit} "
            f"| {factors(part)} | {SHOWN[part.shown]} |"
        )
    return "\n".join(lines)


def factors(part: PartLife) -> str:
    own = TRUTH.scale_factors.get(part.component, {})
    system = TRUTH.scale_factors.get(part.system, {})
    named = {c: f for c, f in (system | own).items() if c in part.classes}
    return ", ".join(f"{c} {f:.2f}" for c, f in named.items())


def test_table_of_lives_is_the_generators():
    text = README.read_text(encoding="utf-8")
    found = re.search(r"<!-- lives -->\n(.*?)\n<!-- end lives -->", text, re.DOTALL)
    assert found is not None
    assert found[1] == lives_table()


def test_figures_in_the_text_are_the_generators():
    text = README.read_text(encoding="utf-8")
    plans = fleet()
    parts = Counter(plan.parts for plan in plans)
    assert f"{parts['unknown']} and {parts['mixed']} vehicles" in text
    assert f"holds {len(plans)} vehicles" in text
    for name, vehicles in Counter(plan.vehicle_class for plan in plans).items():
        miles = sorted(int(plan.daily_miles) for plan in plans if plan.vehicle_class == name)
        pace = f"{miles[0]} to {miles[-1]}" if miles[0] < miles[-1] else f"{miles[0]}"
        assert f"| {name} | {vehicles} | {pace} |" in text
    assert f"about {round(sum(1 for _ in generate()), -3):,}\nevents" in text
    assert sum(plan.unit == "km" for plan in plans) == 5
    for word in (DEMO_TODAY, FEATURED, TRUTH.batch.part_number, TRUTH.eater.vehicle):
        assert word in text
