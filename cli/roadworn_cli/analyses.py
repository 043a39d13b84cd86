"""`roadworn analyses`: the questions that can be asked."""

import typer

from roadworn_cli.context import state_of
from roadworn_cli.output import emit, format_option


def analyses(ctx: typer.Context, fmt: str = format_option()) -> None:
    """List the analyses, bundled and of plugins, with the question each answers."""
    host = state_of(ctx).plugins()
    rows = [
        (name, analysis.question, plugin) for name, (plugin, analysis) in host.analyses().items()
    ]
    emit(("analysis", "question", "plugin"), rows, fmt=fmt)
