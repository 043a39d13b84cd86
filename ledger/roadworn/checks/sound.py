"""A part named sound that failed when it was last looked at, with no work on record since.

The same rule ends the finding in the read model (`columns.views_sound`); here it is asked of
whoever names it sound, since what forbade driving is gone with one word.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from roadworn.checks.facts import WORK, Draft, Facts
from roadworn.model.catalogue import meet, place_of
from roadworn.model.events import StoredEvent
from roadworn.model.messages import Joined, Problem, Says, Sentence
from roadworn.model.places import covers
from roadworn.say.telling import item_words

_say = Says(
    "sound",
    {
        "failed": "{part} on {day}",
        "again": "Failed when last looked at, and no work on record since: {parts}.",
        "first": "Write down first what was done, or say that it is sound all the same.",
        "ended": "It counts as sound from here on, with no work on record: failed {parts}.",
    },
)


def ended_by_a_word(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt each part that is named sound and had failed; ask where that can hurt someone."""
    sound = [*_named_sound(draft.payload)]
    before = sorted(
        (
            event
            for event in facts.events(draft.vehicle_id, "inspection", *WORK)
            if event.event_id != draft.event_id and event.occurred_at[:10] <= draft.day
        ),
        key=lambda event: (event.occurred_at[:10], event.seq),
        reverse=True,
    )
    told: dict[bool, dict[Sentence, None]] = {True: {}, False: {}}
    for item, look in _failed_last(before):
        if any(_covers(one, item) for one in sound):
            part = _say("failed", part=item_words(item), day=look.occurred_at[:10])
            told[bool(item.get("safety"))][part] = None
    if asked := told[True]:
        yield Problem("sound-again", _say("again", parts=Joined(asked, "; ")), _say("first"))
    if rest := told[False]:
        yield Problem("sound-since", _say("ended", parts=Joined(rest, "; ")))


def _named_sound(payload: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    yield from payload.get("sound") or ()
    for finding in payload.get("findings") or ():
        if finding.get("condition") == "sound":
            yield finding


def _failed_last(
    events: Iterable[StoredEvent],
) -> Iterator[tuple[Mapping[str, Any], StoredEvent]]:
    """Yield what failed when it was last looked at, and no work has touched since, newest first."""
    settled: list[tuple[Mapping[str, Any], bool]] = []
    for event in events:
        data = event.data()
        if event.kind != "inspection":
            if data.get("action") != "inspected":
                settled.append((data, True))
            continue
        told = [one for one in data.get("findings", ()) if one["condition"] != "not_checked"]
        for item in told:
            if item["condition"] == "failed" and not any(
                _meets(known, item) if work else _covers(known, item) for known, work in settled
            ):
                yield item, event
        settled += [(item, False) for item in (*told, *data.get("sound", ()))]


def _meets(work: Mapping[str, Any], item: Mapping[str, Any]) -> bool:
    place = work.get("position"), item.get("position")
    same = work["component"] == item["component"]
    return same and (not all(place) or meet(item["component"], *place))


def _covers(wide: Mapping[str, Any], item: Mapping[str, Any]) -> bool:
    part = item["component"]
    places = (place_of(part, one.get("position")) for one in (wide, item))
    return wide["component"] == part and covers(*places)
