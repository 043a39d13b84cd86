"""The bay's own words for a choice, and for the event that an entry names."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from roadworn.model.amounts import choose
from roadworn_cli.context import check_day, check_moment

if TYPE_CHECKING:
    from roadworn.intake import Ledger

#: What a counter says for the steps of a visit.
_STEPS = {
    **dict.fromkeys(("in", "came in", "here", "arrives"), "arrived"),
    **dict.fromkeys(("out", "left", "gone", "picked up", "collected"), "handed_over"),
}


#: What a bay says of a part that was replaced by plan; behind a line "service" is the work itself.
_BY_PLAN = frozenset({"service", "maintenance", "pm", "due", "by plan"})


def chosen(name: str, value: str, words: Sequence[str], what: str) -> str:
    """Return the stored word of a field that was typed, or that the bay's own word stands for.

    Raises:
        UsageError: it is none of them.
    """
    return choose(value if value in words else _meant(name, value), words, what)


def _meant(name: str, value: str) -> str:
    said = " ".join(value.casefold().replace("-", " ").split())
    if name == "reason":
        from roadworn.reading.done_words import REASONS

        return "preventive" if said in _BY_PLAN else REASONS.get(said, value)
    return _STEPS.get(said, value) if name == "step" else value


def said_day(name: str, value: str, option: str) -> dict[str, str]:
    """Return the field of a day that was said, and that of its time where it has one.

    Raises:
        UsageError: it is no day, or may be two.
    """
    from roadworn.reading.said_days import AHEAD

    if name == "promised":
        day, clock = check_moment(value, option, ahead=True)
        return {name: day, "promised_time": clock}
    return {name: check_day(value, option, ahead=name in AHEAD)}


def whole_ids(ledger: "Ledger", vehicle: str, payload: Mapping[str, Any]) -> dict[str, str]:
    """Return the whole ids of the events that a payload names by a part of theirs, or as last.

    What comes back on ``last`` comes back on the last job on its part.
    """
    ids = {}
    for name in ("comeback_of", "estimate"):
        if said := payload.get(name):
            job, part = None, payload.get("component")
            if name == "comeback_of" and str(said).casefold() == "last" and part:
                job = ledger.facts.last_job(ledger.require_vehicle(vehicle), part)
            ids[name] = (job or ledger.event(said)).event_id
    return ids
