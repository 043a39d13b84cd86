"""The dependencies between the source roots, and between the rooms of the core, go one way.

Every import is read, those inside functions and for types only too: a circle that hides in a
function is a circle.
"""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ROOTS = {
    "roadworn": ROOT / "ledger" / "roadworn",
    "roadworn_plugins": ROOT / "plugins" / "roadworn_plugins",
    "roadworn_cli": ROOT / "cli" / "roadworn_cli",
    "roadworn_demo": ROOT / "demo_ledger" / "roadworn_demo",
}
# package -> what it must not import. The command line sees analyses through the plugin host only.
FORBIDDEN = {
    "roadworn": {"roadworn_plugins", "roadworn_cli", "roadworn_demo", "typer", "click", "rich"},
    "roadworn_plugins": {"roadworn_cli", "roadworn_demo", "typer", "click", "rich"},
    "roadworn_cli": {"roadworn_plugins"},
    "roadworn_demo": {"roadworn_plugins", "roadworn_cli", "typer"},
}


#: room of the core -> the rooms that it may see.
ROOMS = {
    "model": set(),
    "store": {"model"},
    "trade": {"model"},
    "say": {"model", "trade"},
    "checks": {"model", "store", "trade", "say"},
    "reading": {"model", "trade", "checks", "say"},
    "columns": {"model", "store", "trade", "checks"},
    "adapter": {"model", "trade"},
    "intake": {"model", "store", "trade", "checks", "reading", "say"},
    "analysis": {"model", "trade", "checks", "columns", "say"},
    "testing": {"model", "trade", "reading", "say", "intake", "columns", "analysis"},
}


def modules() -> dict[str, Path]:
    """Return every module of the source by its dotted name."""
    found = {}
    for package, root in ROOTS.items():
        for path in root.rglob("*.py"):
            parts = (package, *path.relative_to(root).with_suffix("").parts)
            found[".".join(parts).removesuffix(".__init__")] = path
    return found


def imports() -> dict[str, set[str]]:
    """Return module -> the modules of ours that it imports anywhere in it."""
    known = modules()
    found: dict[str, set[str]] = {}
    for name, path in known.items():
        found[name] = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module:
                for alias in node.names:
                    whole = f"{node.module}.{alias.name}"
                    found[name] |= {whole if whole in known else node.module} & known.keys()
            elif isinstance(node, ast.Import):
                found[name] |= {alias.name for alias in node.names} & known.keys()
        found[name].discard(name)
    return found


def circles(graph: dict[str, set[str]]) -> list[list[str]]:
    """Return the groups of nodes that reach each other, each sorted."""
    reached = {}
    for start in graph:
        seen, open_ = set(), [start]
        while open_:
            for node in graph.get(open_.pop(), set()) - seen:
                seen.add(node)
                open_.append(node)
        reached[start] = seen
    groups = {
        tuple(sorted({a, *(b for b in reached[a] if a in reached.get(b, set()))}))
        for a in graph
        if a in reached[a]
    }
    return [list(group) for group in sorted(groups)]


def test_a_room_of_the_core_sees_only_what_lies_below_it() -> None:
    wrong = {}
    for name, seen in imports().items():
        if not name.startswith("roadworn."):
            continue
        room = name.split(".")[1]
        others = {other.split(".")[1] for other in seen if other.startswith("roadworn.")} - {room}
        if others - ROOMS[room]:
            wrong[name] = sorted(others - ROOMS[room])
    assert wrong == {}


def test_no_circle_of_modules() -> None:
    assert circles(imports()) == []


def test_no_circle_of_packages() -> None:
    graph: dict[str, set[str]] = {}
    for name, seen in imports().items():
        package = ".".join(name.split(".")[:2])
        others = {".".join(other.split(".")[:2]) for other in seen}
        graph.setdefault(package, set()).update(others - {package, package.split(".")[0]})
    assert circles(graph) == []


def test_a_circle_is_seen() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == [["b", "c"]]


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module.split(".")[0])
    return names


@pytest.mark.parametrize("package", sorted(FORBIDDEN))
def test_a_package_imports_only_what_lies_below_it(package: str) -> None:
    files = sorted(ROOTS[package].rglob("*.py"))
    assert files
    wrong = {
        str(path.relative_to(ROOT)): sorted(imported(path) & FORBIDDEN[package])
        for path in files
        if imported(path) & FORBIDDEN[package]
    }
    assert wrong == {}


def test_the_reader_of_imports_sees_an_import_inside_a_function(tmp_path: Path) -> None:
    file = tmp_path / "example.py"
    file.write_text("def f():\n    from roadworn_plugins.lifedata import lives\n")
    assert imported(file) == {"roadworn_plugins"}


def test_help_imports_nothing_heavy() -> None:
    script = (
        "import sys\n"
        "sys.argv = ['roadworn', '--help']\n"
        "from roadworn_cli.main import run\n"
        "try:\n    run()\nexcept SystemExit as stop:\n    assert not stop.code, stop.code\n"
        "heavy = {'duckdb', 'numpy', 'scipy', 'sqlite_utils', 'lifelines', 'pandas', 'babel', "
        "'jinja2', 'matplotlib'}\n"
        "print('HEAVY', sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.rstrip().endswith("HEAVY []")
