"""What Roadworn itself brings, handed over through the hooks that an outsider's plugin uses.

Each hook is called by every command that asks plugins anything, so what is heavy is imported when
it is asked for.
"""

import re
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from roadworn import hookimpl
from roadworn.analysis import Deferred

if TYPE_CHECKING:
    from roadworn import DataFile, Decoder, Importer, Panel
    from roadworn.analysis.life_law import LifeLaw, LifeModel, Lives, Prior

#: Name -> module below this package. In it the analysis has its name in capitals.
_MODULES = {
    "repeat-failures": "repeats",
    "part-lifespans": "lifespans",
    "next-repairs": "ahead",
    "keep-or-sell": "keep",
    "cost-per-distance": "cost_per_distance",
    "cumulative-repairs": "cumulative_repairs",
    "inspection-outlook": "inspection",
    "measured-wear": "wear",
    "maintenance-due": "maintenance",
    "call-list": "to_call",
    "supplier-comparison": "supplier_comparison",
    "warranty-recovery": "warranty_recovery",
    "odometer-audit": "odometer_audit",
    "code-outcomes": "codes",
    "likely-causes": "likely_causes",
    "class-record": "class_record",
    "comebacks": "comebacks",
    "availability": "availability",
    "programme-effect": "programme_effect",
    "stock": "stock",
    "class-cost": "class_cost",
    "seasons": "seasons",
    "projection-backtest": "backtest",
}


@hookimpl
def roadworn_analyses() -> Sequence[Deferred]:
    """Return the bundled analyses, each imported when it is asked for."""
    return [
        Deferred(name, f"roadworn_plugins.{module}", name.upper().replace("-", "_"))
        for name, module in _MODULES.items()
    ]


#: Sections of the fleet report in its order: the analysis, what stands above it, and whether only
#: the full report has it, as what a workshop or an analyst asks.
_ON_THE_FLEET = (
    ("repeat-failures", "What keeps failing", False),
    ("next-repairs", "What failures will cost, and what to hold", False),
    ("part-lifespans", "How long parts last", False),
    ("cumulative-repairs", "Repairs along age, by class", False),
    ("cost-per-distance", "What the distance costs", False),
    ("supplier-comparison", "Suppliers compared", False),
    ("warranty-recovery", "Warranty to claim", False),
    ("maintenance-due", "Service that is due", False),
    ("inspection-outlook", "Which vehicles would pass their inspection?", False),
    ("keep-or-sell", "What each vehicle costs for its class", False),
    ("code-outcomes", "What made codes stay away", True),
    ("odometer-audit", "Odometers to look at", True),
    ("projection-backtest", "How right past projections were", True),
)
#: Rows of a table of theirs that stand open.
_OPEN_ROWS = 8


@hookimpl
def roadworn_panels() -> "Sequence[Panel]":
    """Return the sections of the fleet report."""
    from roadworn import Panel

    return [
        Panel(f"fleet-{name}", name, ("fleet",), heading, _OPEN_ROWS, full)
        for name, heading, full in _ON_THE_FLEET
    ]


_What = Literal["look-over sheet", "rule set", "schedule"]


@hookimpl
def roadworn_data_files() -> "Sequence[DataFile]":
    """Return the files that ship: sheets, rule sets, schedules, and words to copy from."""
    import roadworn.trade
    from roadworn import DataFile

    rules = Path(__file__).with_name("rules")
    sheets = Path(roadworn.trade.__file__).with_name("sheets")
    lie: tuple[tuple[_What, Path, str], ...] = (
        ("look-over sheet", sheets, "*.toml"),
        ("rule set", rules, "inspection_*.toml"),
        ("schedule", rules, "schedule_*.toml"),
    )
    found = [
        DataFile(path.stem, what, _title(path), partial(path.read_text, encoding="utf-8"))
        for what, folder, pattern in lie
        for path in sorted(folder.glob(pattern))
    ]
    example = DataFile("words", "words", "A shop's own words at the bench", _example_words)
    return [*found, example]


def _example_words() -> str:
    from roadworn.reading.bench_words import example_words

    return example_words()


def _title(path: Path) -> str:
    """Return the title that a file says of itself, without reading the rest of it as TOML."""
    found = re.search(r'^title = "(.+)"', path.read_text(encoding="utf-8"), re.MULTILINE)
    return found[1] if found else path.stem


@hookimpl
def roadworn_decoders() -> "Sequence[Decoder]":
    """Return what decodes plates, codes and bytes."""
    from roadworn_plugins.decoders import DECODERS

    return DECODERS


@hookimpl
def roadworn_importers() -> "Sequence[Importer]":
    """Return what reads events, one JSON object a line, from a file of any name."""
    from roadworn import Importer

    return [Importer("ndjson", "Events, one JSON object a line, in a file of any name", _events)]


def _events(path: Path) -> Iterator[dict[str, Any]]:
    import orjson

    from roadworn import UsageError
    from roadworn.intake.ndjson import batches

    number = 0
    for lines in batches(path):
        for line in lines:
            number += 1
            try:
                draft = orjson.loads(line) if line.strip() else None
            except orjson.JSONDecodeError as error:
                told = f"{path.name}: row {number} is no JSON object ({error})"
                raise UsageError(told, "write one JSON object a line") from None
            if isinstance(draft, dict):
                yield {"source": "file", **draft}
            elif draft is not None:
                told = f"{path.name}: row {number} is no JSON object"
                raise UsageError(told, "write one JSON object a line")


@hookimpl
def roadworn_life_models() -> "Sequence[LifeModel]":
    """Return the bundled law: wear by Weibull beside early failure, see `projection.fit_laws`."""
    from roadworn.analysis.life_law import LifeModel

    return [LifeModel("weibull", "Weibull wear beside early failure", _weibull)]


def _weibull(lives: "Sequence[Lives]", priors: "Sequence[Prior]") -> "list[LifeLaw]":
    from roadworn_plugins.projection.fit_laws import fit_laws

    return fit_laws(lives, priors)
