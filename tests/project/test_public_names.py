"""What a plugin author imports: each name is there, is listed, and costs nothing before use.

`public_surface.txt` holds the names with their signatures and fields. A line that goes or changes
breaks somebody's plugin: it stays two releases with a DeprecationWarning first (docs/plugins).
`ROADWORN_GOLDEN=write` writes the file anew.
"""

import dataclasses
import enum
import inspect
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pydantic
import pytest

import roadworn
from roadworn import testing
from roadworn.analysis.doors import doors

SURFACE = Path(__file__).with_name("public_surface.txt")


@pytest.mark.parametrize("name", roadworn.__all__)
def test_a_public_name_resolves_and_is_listed(name: str) -> None:
    assert getattr(roadworn, name) is not None
    assert name in dir(roadworn)


def surface() -> Iterator[str]:
    """Yield a line for each public name, and for each of its parts."""
    for module in (roadworn, testing):
        for name in module.__all__:
            yield from told(f"{module.__name__}.{name}", getattr(module, name))
    for door in doors():
        yield f"door {door.hook}() -> Sequence[{door.gives}], since {door.since}"


def told(name: str, item: object) -> Iterator[str]:
    if inspect.isclass(item) and issubclass(item, enum.Enum):
        yield from (f"{name}.{one.name} = {one.value!r}" for one in item)
    elif inspect.isclass(item) and dataclasses.is_dataclass(item):
        for one in dataclasses.fields(item):
            must = one.default is dataclasses.MISSING and one.default_factory is dataclasses.MISSING
            yield f"{name}({one.name}){' must' if must else ''}"
    elif inspect.isclass(item) and issubclass(item, pydantic.BaseModel):
        yield f"{name} ({', '.join(item.model_fields)})"
    elif inspect.isfunction(item):
        yield f"{name}{parameters(item)}"
    else:
        yield name
    if inspect.isclass(item) and not issubclass(item, Exception | pydantic.BaseModel):
        for part, value in sorted(vars(item).items()):
            plain = getattr(value, "__func__", value)
            if not part.startswith("_") and inspect.isfunction(plain):
                yield f"{name}.{part}{parameters(plain)}"


def parameters(function: object) -> str:
    """Return the names of parameters; those that need not be given with a question mark."""
    names = []
    for one in inspect.signature(function).parameters.values():  # type: ignore[arg-type]
        star = {one.VAR_POSITIONAL: "*", one.VAR_KEYWORD: "**"}.get(one.kind, "")
        only = "=" if one.kind is one.KEYWORD_ONLY else ""
        names.append(f"{star}{one.name}{only}{'' if one.default is one.empty else '?'}")
    return f"({', '.join(name for name in names if name != 'self')})"


def test_the_public_surface_is_what_was_promised() -> None:
    text = "".join(f"{line}\n" for line in surface())
    if os.environ.get("ROADWORN_GOLDEN") == "write":
        SURFACE.write_text(text, encoding="utf-8")
    promised = SURFACE.read_text(encoding="utf-8")
    gone = set(promised.splitlines()) - set(text.splitlines())
    assert not gone, "a plugin may rest on these: keep them for two releases with a warning"
    assert text == promised, "new public names: ROADWORN_GOLDEN=write, and a line in docs/plugins"


def test_the_version_is_that_of_the_distribution() -> None:
    from importlib.metadata import version

    assert roadworn.__version__ == version("roadworn")
    assert max(door.since for door in doors()) == roadworn.HOOKS


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'analyses'"):
        roadworn.analyses  # noqa: B018


def test_importing_it_loads_nothing_heavy() -> None:
    heavy = ("pydantic", "duckdb", "numpy", "pluggy", "ast")
    code = f"import sys, roadworn; print([name for name in {heavy} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
