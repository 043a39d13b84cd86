"""Long texts cut for one line: a note may hold a whole manual, and a history must stay readable."""

from typing import Any

#: Characters of a text that are shown where it is not asked for in full.
LONGEST = 240


def brief_text(text: str, longest: int = LONGEST) -> str:
    """Return a text as it is, or its beginning and how long it is."""
    if len(text) <= longest:
        return text
    return f"{text[:longest].rstrip()}… ({len(text):,} characters)"


def brief(value: Any, longest: int = LONGEST) -> Any:  # noqa: ANN401  # a value inside a payload
    """Return a payload, or a value inside one, with each long text cut."""
    if isinstance(value, str):
        return brief_text(value, longest)
    if isinstance(value, dict):
        return {name: brief(item, longest) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [brief(item, longest) for item in value]
    return value
