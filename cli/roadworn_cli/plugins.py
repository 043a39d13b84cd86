"""`roadworn plugins`: what is installed, what each brings, and which are broken."""

import typer

from roadworn_cli.context import leave, state_of
from roadworn_cli.output import emit, format_option


def plugins(ctx: typer.Context, fmt: str = format_option()) -> None:
    """List the plugins with what each brings; a broken one is named with its error."""
    host = state_of(ctx).plugins()
    brought: dict[str, list[str]] = {name: [] for name in host.plugin_names()}
    for name, (plugin, _analysis) in host.analyses().items():
        brought[plugin].append(name)
    rows = [(plugin, host.versions[plugin], ", ".join(names)) for plugin, names in brought.items()]
    emit(("plugin", "version", "analyses"), rows, fmt=fmt)
    if host.problems:
        leave(1)
