"""`roadworn decode`: what is printed on plates and read from sockets, by decoders of plugins."""

from collections.abc import Mapping, Sequence
from typing import Any

from roadworn_cli.lazy import lazy_app
from roadworn_cli.output import emit, emit_json

verb = lazy_app(
    (),
    "Decode what is printed on plates and read from sockets. Nothing is sent anywhere, and no "
    "ledger is needed.",
    more="roadworn_cli.brought:decoders",
)


def show(found: Mapping[str, Any] | Sequence[Mapping[str, Any]], fmt: str) -> None:
    """Print what was decoded: as JSON, or rows of name and value, several by their first."""
    if fmt == "json":
        emit_json(dict(found) if isinstance(found, Mapping) else [dict(one) for one in found])
    elif isinstance(found, Mapping):
        emit(("what", "value"), list(_rows(found)), fmt=fmt)
    else:
        first = next(iter(found[0]), "") if found else ""
        rows = [(one[first], *row) for one in found for row in _rows(one) if row[0] != first]
        emit((first or "what", "what", "value"), rows, fmt=fmt)


def _rows(found: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for name, value in found.items():
        if isinstance(value, Mapping):
            rows += _rows(value, f"{before}{name}.")
        elif isinstance(value, list | tuple):
            apart = [one for one in value if isinstance(one, Mapping) and "message" not in one]
            for number, one in enumerate(apart, start=1):
                rows += _rows(one, f"{before}{name} {number}.")
            told = [
                str(one["message"] if isinstance(one, Mapping) else one)
                for one in value
                if one not in apart
            ]
            if told or not apart:
                rows.append((f"{before}{name}", ", ".join(told)))
        else:
            rows.append((f"{before}{name}", _word(value)))
    return rows


def _word(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else str(value)
