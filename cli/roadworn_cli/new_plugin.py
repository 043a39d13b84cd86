"""`plugins new NAME`: a package for a plugin that works, with its tests, to begin from."""

import re
from importlib.resources import files
from pathlib import Path
from typing import Final

from roadworn.model.errors import EnvironmentFailure, UsageError

#: File of the template -> where it goes. ``myshop`` stands for the name in both.
_FILES: Final = {
    "pyproject.toml.txt": "pyproject.toml",
    "README.md.txt": "README.md",
    "ci.txt": ".ci/run",
    "plugin.txt": "src/myshop_roadworn/__init__.py",
    "washes.txt": "src/myshop_roadworn/washes.py",
    "log.txt": "src/myshop_roadworn/log.py",
    "schedule.txt": "src/myshop_roadworn/schedule.toml",
    "tests.txt": "tests/test_myshop.py",
}


def write_new(name: str, into: Path) -> list[Path]:
    """Write the package of a new plugin and return its files.

    Args:
        name: of the plugin: its entry point, the prefix of its kinds and tables, its word.
        into: the folder in which ``roadworn-NAME`` is made.

    Raises:
        UsageError: the name will not do.
        EnvironmentFailure: the folder is there already.
    """
    if not re.fullmatch(r"[a-z][a-z0-9]{1,30}", name) or name == "bundled":
        raise UsageError(
            f"A plugin cannot be called {name!r}: use small letters and digits, as in myshop."
        )
    folder = into / f"roadworn-{name}"
    if folder.exists():
        raise EnvironmentFailure(f"{folder} is there already: choose another name or folder.")
    template = files("roadworn_cli").joinpath("template")
    made = []
    for source, target in _FILES.items():
        path = folder / target.replace("myshop", name)
        path.parent.mkdir(parents=True, exist_ok=True)
        text = template.joinpath(source).read_text(encoding="utf-8").replace("myshop", name)
        path.write_text(text, encoding="utf-8")
        made.append(path)
    typed = folder / "src" / f"{name}_roadworn" / "py.typed"
    typed.touch()
    (folder / ".ci" / "run").chmod(0o755)
    return [*made, typed]
