"""How a figure was taken, where one part can be measured in several ways: at rest, under load."""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from roadworn.say.telling import item_words
from roadworn.trade.judging import Judgement

_VOLTS = re.compile(r"\d\s*v(?:olts?)?\b", re.IGNORECASE)
#: How a voltage was taken -> the name of that measurement; common practice, no source.
_WAYS = (
    (re.compile(r"\b(?:at\s+rest|rest(?:ing|ed)?)\b[,;:]?", re.IGNORECASE), "voltage at rest"),
    (
        re.compile(r"\b(?:under\s+load|loaded|(?:while\s+)?cranking)\b[,;:]?", re.IGNORECASE),
        "voltage under load",
    ),
)


def take_way(text: str) -> tuple[str, str]:
    """Take off a finding's text how its voltage was taken, wherever that stands.

    Returns:
        The text without those words, and the name of the measurement, empty where nothing says it.
    """
    if _VOLTS.search(text):
        for words, name in _WAYS:
            if words.search(text):
                return " ".join(words.sub(" ", text, count=1).split()), name
    return text, ""


def name_way(finding: dict[str, Any], name: str) -> None:
    """Name the voltages of a finding by how they were taken."""
    for one in finding.get("measurements", ()) if name else ():
        if one["unit"] == "V":
            one["name"] = name


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
