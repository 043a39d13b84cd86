"""How a figure was taken, where one part can be measured in several ways: at rest, under load."""

from collections.abc import Mapping, Sequence
from typing import Any

from roadworn.say.telling import item_words
from roadworn.trade.judging import Judgement


def judged_words(finding: Mapping[str, Any], judgement: Judgement) -> str:
    """Say what a figure decided; what is only wearing is so by common practice, as it says."""
    source = f" ({judgement.citation})" if judgement.condition == "failed" else ""
    return f"{item_words(finding)}: {judgement.reason}{source}: {judgement.condition}."


def taken_as_usual(
    finding: Mapping[str, Any], told: Sequence[Judgement]
) -> tuple[dict[str, Any], Judgement, str] | None:
    """Take a figure by the usual way of measuring, where ways disagree and nobody said which.

    The item that stands first in the sheet is the usual one.

    Returns:
        The finding with its condition, the judgement, and a word about it; None where one way
        alone is told of, or the usual one settles nothing.
    """
    usual, *others = told or (None,)
    if usual is None or usual.condition == "not_checked":
        return None
    if len({one.item.measurement for one in told}) == 1:
        return None
    made = {**finding, "condition": usual.condition}
    way = usual.item.measurement
    made["measurements"] = [{**one, "name": way} for one in finding["measurements"]]
    told_of = "; ".join(
        f"{one.item.measurement}: {one.condition.replace('_', ' ')}" for one in others
    )
    return made, usual, f"Taken as {way}, the usual; say it where it was another ({told_of})."
