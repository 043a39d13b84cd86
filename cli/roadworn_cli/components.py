"""`roadworn components`: the words that components are known by."""

from typing import Annotated

import typer

from roadworn_cli.output import check_format, emit, format_option, note

COLUMNS = ("component", "name", "also_called", "position", "safety_critical")


def components(
    word: Annotated[
        str, typer.Argument(metavar="[WORD]", help="Only those with this word in a name.")
    ] = "",
    fmt: str = format_option(),
) -> None:
    """List the components of the catalogue, and the words each is known by."""
    from roadworn.catalogue import catalogue

    check_format(fmt)
    sought = word.casefold()
    rows = [
        (
            component.id,
            component.name,
            ", ".join(component.synonyms),
            "" if component.positions == "none" else component.positions,
            component.safety_critical,
        )
        for component in catalogue()
        if sought in " ".join((component.id, component.name, *component.synonyms)).casefold()
    ]
    emit(COLUMNS, rows, fmt=fmt)
    if not rows:
        found = catalogue().resolve(word).suggestions
        near = ", ".join(component.name for component in found) or "nothing"
        note(f"no component has {word!r} in a name; near: {near}.")
