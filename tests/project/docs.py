"""The parts of the documents that are made from the code; run as a script it rewrites them.

    python tests/project/docs.py

A block stands between `<!-- made: NAME -->` and `<!-- end -->`; the test beside this file
fails when a block is not what the code would write today.
"""

import re
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from public_docs import door_block, reference

ROOT = Path(__file__).parents[2]
#: Door -> name of its page.
DOORS = {
    "roadworn_analyses": "analyses",
    "roadworn_event_kinds": "kinds",
    "roadworn_tables": "tables",
    "roadworn_views": "views",
    "roadworn_data_files": "data-files",
    "roadworn_panels": "panels",
    "roadworn_importers": "importers",
    "roadworn_decoders": "decoders",
    "roadworn_commands": "commands",
    "roadworn_life_models": "life-models",
}
FILES = (
    "docs/analyses.md",
    "docs/commands.md",
    "docs/plugins/index.md",
    "docs/plugins/reference.md",
    *(f"docs/plugins/doors/{page}.md" for page in DOORS.values()),
    "docs/tables.md",
)
BLOCK = re.compile(r"(<!-- made: (?P<name>[a-z-]+) -->\n)(?P<body>.*?)(<!-- end -->)", re.DOTALL)


def verbs() -> str:
    from roadworn_cli.main import VERBS

    lines = ["| verb | does |", "|---|---|"]
    lines += [f"| `{verb.name}` | {verb.help} |" for verb in VERBS]
    return "\n".join(lines)


def records() -> str:
    from roadworn_cli.record import KINDS

    lines = ["| kind | what is written down |", "|---|---|"]
    lines += [f"| `{kind.name}` | {kind.help} |" for kind in KINDS]
    return "\n".join(lines)


def kinds() -> str:
    from roadworn.model.kinds import KindRegistry

    lines = ["| kind | fields of its payload (a star: must be given) |", "|---|---|"]
    for kind in KindRegistry():
        fields = ", ".join(
            name + ("*" if field.is_required() else "")
            for name, field in kind.model.model_fields.items()
            if name != "replaces"
        )
        lines.append(f"| `{kind.name}` | {fields} |")
    return "\n".join(lines)


def tables() -> str:
    from roadworn.columns.view import dictionary

    return "\n".join(
        f"- **{table.name}** ({table.kind}): {table.comment}" for table in dictionary()
    )


def columns() -> str:
    from roadworn.columns.view import dictionary

    lines = []
    for table in dictionary():
        lines += [f"## {table.name}", "", f"A {table.kind}: {table.comment}.", ""]
        lines += ["| column | type | meaning |", "|---|---|---|"]
        lines += [f"| `{name}` | {kind} | {meaning} |" for name, kind, meaning in table.columns]
        lines.append("")
    return "\n".join(lines).rstrip()


def analyses() -> str:
    from roadworn.analysis.host import PluginHost

    lines = ["| analysis | answers |", "|---|---|"]
    for name, (_plugin, analysis) in PluginHost.load().analyses().items():
        lines.append(f"| `{name}` | {analysis.question} |")
    return "\n".join(lines)


def doors() -> str:
    from roadworn.analysis.doors import doors as all_doors

    lines = ["| hook | returns | since | what it is for |", "|---|---|---|---|"]
    for door in all_doors():
        gives = door.gives.replace(" | ", " or ")
        page = f"[`{door.hook}()`](doors/{DOORS[door.hook]}.md)"
        lines.append(f"| {page} | list of {gives} | {door.since} | {door.text} |")
    return "\n".join(lines)


MAKERS: dict[str, Callable[[], str]] = {
    **{f"door-{page}": partial(door_block, hook) for hook, page in DOORS.items()},
    "reference": reference,
    "doors": doors,
    "verbs": verbs,
    "records": records,
    "kinds": kinds,
    "tables": tables,
    "columns": columns,
    "analyses": analyses,
}


def renewed(text: str) -> str:
    """Return `text` with every block written anew."""
    return BLOCK.sub(
        lambda found: f"{found[1]}{MAKERS[found['name']]()}\n{found[4]}",
        text,
    )


def names(text: str) -> list[str]:
    return [found["name"] for found in BLOCK.finditer(text)]


if __name__ == "__main__":
    for name in FILES:
        path = ROOT / name
        path.write_text(renewed(path.read_text(encoding="utf-8")), encoding="utf-8")
        sys.stdout.write(f"{name}: {', '.join(names(path.read_text(encoding='utf-8')))}\n")
