"""The dependencies between the source roots go one way; this reads the imports and says so."""

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
        "heavy = {'duckdb', 'numpy', 'scipy', 'sqlite_utils', 'lifelines', 'pandas'}\n"
        "print('HEAVY', sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.rstrip().endswith("HEAVY []")
