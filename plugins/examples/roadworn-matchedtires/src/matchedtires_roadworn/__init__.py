"""A panel: what a vehicle that drives all wheels wants its four tires to be alike in."""

from collections.abc import Sequence

from roadworn import Analysis, Panel, hookimpl

from matchedtires_roadworn.matched import MatchedSettings, matched

ROADWORN_HOOKS = 2


@hookimpl
def roadworn_analyses() -> Sequence[Analysis]:
    """Return the question."""
    question = "Whose tires differ by more than a set may?"
    return [Analysis("matchedtires", "Tires as a set", question, matched, MatchedSettings)]


@hookimpl
def roadworn_panels() -> Sequence[Panel]:
    """Return where the answer stands."""
    return [Panel("matchedtires", "matchedtires", ("vehicle", "fleet"))]
