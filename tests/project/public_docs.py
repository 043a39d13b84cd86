"""The reference of what a plugin may rest on, made from signatures and docstrings."""

import dataclasses
import enum
import inspect
import re
import typing
from collections.abc import Iterator

import pluggy
import pydantic

_SECTION = re.compile(r"^(Attributes|Args|Returns|Raises|Yields):$")
_ENTRY = re.compile(r"^([\w*, ]+): (.*)$")


def reference() -> str:
    """Return every public name with its signature and what it is."""
    import roadworn
    from roadworn import testing

    lines = []
    for module in (roadworn, testing):
        lines += [f"## `{module.__name__}`", ""]
        for name in module.__all__:
            lines += [f"### {name}", "", *_told(name, getattr(module, name)), ""]
    return "\n".join(lines).rstrip()


def _told(name: str, item: object) -> Iterator[str]:
    if typing.get_origin(item) is typing.Annotated:
        yield from _field_type(item)
        return
    if isinstance(item, pluggy.HookimplMarker):
        yield "Stands before each function that is a door: `@hookimpl`."
        return
    shown = signature(name, item)
    if shown:
        yield from ("```text", shown, "```", "")
    if inspect.isclass(item) and issubclass(item, enum.Enum):
        yield from text_of(item.__doc__)
        yield ""
        yield from (f"- `{one.name}`: `{one.value}`" for one in item)
    elif not isinstance(item, int | str) and item.__doc__:
        yield from text_of(item.__doc__)
    else:
        yield f"`{item!r}`"
    yield from choices(item)
    if inspect.isclass(item) and not issubclass(item, Exception | pydantic.BaseModel | enum.Enum):
        for part, value in sorted(vars(item).items()):
            plain = getattr(value, "__func__", value)
            if not part.startswith("_") and inspect.isfunction(plain):
                first = (plain.__doc__ or "").strip().partition("\n\n")[0]
                yield ""
                yield f"`.{part}{_parameters(plain)}`: {' '.join(first.split())}"


def _field_type(item: object) -> Iterator[str]:
    """Yield what a field of a payload of this type takes."""
    held = typing.get_args(item)[0]
    schema = pydantic.TypeAdapter(item).json_schema()
    rules = {key: value for key, value in schema.items() if key not in {"type", "description"}}
    told = ", ".join(f"{key} `{value}`" for key, value in rules.items())
    said = schema.get("description", "")
    yield f"For a field of a payload: `{held.__name__}`{', ' + said if said else ''} ({told})."


def choices(item: object) -> Iterator[str]:
    """Yield the words that a field of a dataclass may be, where they are few."""
    if not (inspect.isclass(item) and dataclasses.is_dataclass(item)):
        return
    try:
        hints = typing.get_type_hints(item)
    except NameError:  # a type that is imported for the checker alone
        return
    for one in dataclasses.fields(item):
        words = list(_words(hints[one.name]))
        if words:
            yield ""
            yield f"`{one.name}` is one of {', '.join(f'`{word}`' for word in words)}."


def _words(kind: object) -> Iterator[str]:
    if typing.get_origin(kind) is typing.Literal:
        yield from typing.get_args(kind)
        return
    for part in typing.get_args(kind):
        yield from _words(part)


def signature(name: str, item: object) -> str:
    """Return how something is made or called, in one line of Python or one a parameter."""
    if inspect.isclass(item) and dataclasses.is_dataclass(item):
        parts = []
        for one in dataclasses.fields(item):
            if one.name.startswith("_"):
                continue
            default = "" if one.default is dataclasses.MISSING else f"={_value(one.default)}"
            default = default or (
                "" if one.default_factory is dataclasses.MISSING else f"={_factory(one)}"
            )
            parts.append(f"{one.name}{default}")
        return f"{name}({', '.join(parts)})"
    if inspect.isclass(item) and issubclass(item, pydantic.BaseModel):
        own = [key for key in item.model_fields if key != "replaces"]
        return f"class {name}: {', '.join(own)}" if own else f"class {name}"
    return f"{name}{_parameters(item)}" if inspect.isfunction(item) else ""


def _factory(one: "dataclasses.Field[object]") -> str:
    made = getattr(one.default_factory, "__name__", "…")
    return {"dict": "{}", "list": "[]", "<lambda>": "…"}.get(made, f"{made}()")


def _value(value: object) -> str:
    if inspect.isclass(value) or inspect.isfunction(value):
        return value.__name__
    return "…" if " at 0x" in repr(value) else repr(value)


def _parameters(function: object) -> str:
    shown = []
    starred = False
    for one in inspect.signature(function).parameters.values():  # type: ignore[arg-type]
        if one.name in {"self", "cls"}:
            continue
        if one.kind is one.KEYWORD_ONLY and not starred:
            shown.append("*")
            starred = True
        star = {one.VAR_POSITIONAL: "*", one.VAR_KEYWORD: "**"}.get(one.kind, "")
        starred = starred or star == "*"
        default = "" if one.default is one.empty else f"={_value(one.default)}"
        shown.append(f"{star}{one.name}{default}")
    return f"({', '.join(shown)})"


def text_of(doc: str | None) -> Iterator[str]:
    """Yield a docstring as Markdown: its sections as lists."""
    entry = ""
    listed = False
    for line in inspect.cleandoc(doc or "").replace("``", "`").splitlines():
        if found := _SECTION.match(line):
            if entry:
                yield entry
            entry, listed = "", True
            yield f"{found[1]}:"
            yield ""
        elif listed and line.startswith("    ") and not line.startswith("     "):
            if entry:
                yield entry
            told = _ENTRY.match(line.strip())
            entry = f"- `{told[1]}`: {told[2]}" if told else f"- {line.strip()}"
        elif listed and line.strip():
            entry = f"{entry} {line.strip()}"
        else:
            if entry:
                yield entry
            entry = ""
            listed = listed and not line
            yield line
    if entry:
        yield entry


def door_block(hook: str) -> str:
    """Return signature, age and fields of what comes in by one door."""
    import roadworn
    from roadworn.analysis.doors import doors

    door = next(one for one in doors() if one.hook == hook)
    lines = [
        "```python",
        "@hookimpl",
        f"def {door.hook}() -> Sequence[{door.gives}]: ...",
        "```",
        "",
        f"{door.text} There since doors {door.since}.",
    ]
    for name in door.gives.split(" | "):
        item = getattr(roadworn, name)
        lines += ["", "```text", signature(name, item), "```", "", *text_of(item.__doc__)]
        lines += choices(item)
    return "\n".join(lines)
