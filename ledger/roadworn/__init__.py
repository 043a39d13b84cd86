"""Roadworn: the service memory of a repair shop or a small fleet.

What a plugin author needs is here and in `roadworn.testing`; `roadworn.open` opens a ledger for a
notebook or a script. The names stand in `__init__.pyi`
and are resolved when first used, so that `import roadworn` stays light.
"""

from functools import cache
from importlib import import_module


@cache
def _where() -> dict[str, str]:
    """Return public name -> module that has it."""
    import ast
    from pathlib import Path

    stub = ast.parse(Path(__file__).with_suffix(".pyi").read_text(encoding="utf-8"))
    return {
        alias.name: entry.module
        for entry in stub.body
        if isinstance(entry, ast.ImportFrom) and entry.module
        for alias in entry.names
    }


def __dir__() -> list[str]:
    return [*globals(), *_where(), "__version__"]


def __getattr__(name: str) -> object:
    if name == "__all__":
        return sorted(_where())
    if name == "__version__":
        from importlib.metadata import version

        return version("roadworn")
    # Python and its tools ask for names of their own, such as __path__, more often than people.
    if not name.startswith("_") and name in _where():
        return getattr(import_module(_where()[name]), name)
    raise AttributeError(f"module 'roadworn' has no attribute {name!r}")
