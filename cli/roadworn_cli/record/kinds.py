"""The table of the kinds that `roadworn record` writes: their names, and where each is read."""

from roadworn_cli.lazy import Verb

_HERE = "roadworn_cli.record"

#: Kinds as typed; the stored names are accepted too, with - or _.
KINDS: tuple[Verb, ...] = (
    Verb("reading", f"{_HERE}.entry:reading", "An odometer reading.", "Every day",
         ("odometer-reading",)),
    Verb("inspection", f"{_HERE}.look_over:inspection", "A look-over: what was found.", "Every day",
         ("look-over", "lookover")),
    Verb("scan", f"{_HERE}.scan:scan", "A read-out of the diagnostic socket.", "Every day"),
    Verb("replacement", f"{_HERE}.entry:replacement", "A part was replaced.", "Every day"),
    Verb("repair", f"{_HERE}.entry:repair", "Work without a new part.", "Every day"),
    Verb("maintenance", f"{_HERE}.entry:maintenance", "Service work by plan.", "Every day"),
    Verb("test", f"{_HERE}.done:tried", "A test after work.", "Every day", ("work-test",)),
    Verb("complaint", f"{_HERE}.entry:complaint", "What the customer says.", "With the customer"),
    Verb("estimate", f"{_HERE}.money:estimate", "What work would cost.", "With the customer"),
    Verb("authorisation", f"{_HERE}.money:authorisation", "The answers to an estimate.",
         "With the customer", ("authorization",)),
    Verb("visit", f"{_HERE}.entry:visit", "It came in, or was handed over.", "With the customer"),
    Verb("valuation", f"{_HERE}.entry:valuation", "What the vehicle is worth.",
         "With the customer"),
    Verb("inspection-result", f"{_HERE}.entry:inspection_result",
         "Outcome of an official inspection.", "The vehicle"),
    Verb("profile", f"{_HERE}.entry:profile", "Some of its description changed.", "The vehicle",
         ("profile-change",)),
    Verb("sale", f"{_HERE}.owner:sale", "It has another owner now.", "The vehicle",
         ("sold", "new-owner")),
    Verb("merge", f"{_HERE}.owner:merge", "Two records are one vehicle.", "The vehicle"),
    Verb("exchange", f"{_HERE}.entry:exchange", "The odometer was exchanged.", "The vehicle",
         ("odometer-exchange",)),
    Verb("out-of-service", f"{_HERE}.entry:out_of_service", "It cannot serve.", "The vehicle"),
    Verb("back-in-service", f"{_HERE}.entry:back_in_service", "It serves again.", "The vehicle"),
    Verb("energy", f"{_HERE}.entry:energy", "Fuel or electricity put in.", "The vehicle"),
    Verb("hours", f"{_HERE}.entry:hours", "Hours of the engine.", "The vehicle",
         ("hours-reading",)),
    Verb("retirement", f"{_HERE}.entry:retirement", "The vehicle left.", "The vehicle"),
    Verb("other", f"{_HERE}.other:other", "An event of a kind that a plugin brings.",
         "The vehicle"),
)  # fmt: skip


def stored_kind(name: str) -> str:
    """Return the stored name of a kind as typed: of a verb's names the one that a core kind has."""
    from roadworn.model.kinds import CORE_KINDS  # help of `record` does without the payloads

    word = name.casefold().replace("_", "-")
    known = ((one.name, *one.aliases) for one in KINDS if word in (one.name, *one.aliases))
    spelled = [one.replace("-", "_") for one in next(known, (word,))]
    return next((one for one in spelled if one in CORE_KINDS), spelled[0])
