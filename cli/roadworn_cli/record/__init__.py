"""`roadworn record KIND`: one short command for each kind of event."""

from roadworn_cli.lazy import Verb, lazy_app

_HERE = "roadworn_cli.record"

#: Kinds as typed; the stored names are accepted too, with - or _.
KINDS: tuple[Verb, ...] = (
    Verb("reading", f"{_HERE}.entry:reading", "An odometer reading.", "Every day",
         ("odometer-reading",)),
    Verb("inspection", f"{_HERE}.look_over:inspection", "A look-over: what was found.", "Every day",
         ("look-over", "lookover")),
    Verb("scan", f"{_HERE}.looks:scan", "A read-out of the diagnostic socket.", "Every day"),
    Verb("replacement", f"{_HERE}.entry:replacement", "A part was replaced.", "Every day"),
    Verb("repair", f"{_HERE}.entry:repair", "Work without a new part.", "Every day"),
    Verb("maintenance", f"{_HERE}.entry:maintenance", "Service work by plan.", "Every day"),
    Verb("complaint", f"{_HERE}.entry:complaint", "What the customer says.", "With the customer"),
    Verb("estimate", f"{_HERE}.money:estimate", "What work would cost.", "With the customer"),
    Verb("authorisation", f"{_HERE}.money:authorisation", "The answers to an estimate.",
         "With the customer", ("authorization",)),
    Verb("valuation", f"{_HERE}.entry:valuation", "What the vehicle is worth.",
         "With the customer"),
    Verb("inspection-result", f"{_HERE}.entry:inspection_result",
         "Outcome of an official inspection.", "The vehicle"),
    Verb("profile", f"{_HERE}.entry:profile", "Some of its description changed.", "The vehicle",
         ("profile-change",)),
    Verb("exchange", f"{_HERE}.entry:exchange", "The odometer was exchanged.", "The vehicle",
         ("odometer-exchange",)),
    Verb("retirement", f"{_HERE}.entry:retirement", "The vehicle left.", "The vehicle"),
    Verb("other", f"{_HERE}.other:other", "An event of a kind that a plugin brings.",
         "The vehicle"),
)  # fmt: skip

#: Words for kinds as typed -> names as stored, where the two differ.
STORED = {
    "reading": "odometer_reading",
    "exchange": "odometer_exchange",
    "profile": "profile_change",
    "authorization": "authorisation",
    "look-over": "inspection",
    "lookover": "inspection",
}

verb = lazy_app(
    KINDS,
    "Write down what was seen, measured, read out or done on a vehicle.\n\n"
    "One line is printed for each event: its id, and what was written; below it the sheet of an "
    "estimate that was made by a shop's terms. Wrong ones are taken "
    "back with `roadworn retract` or written anew with `roadworn correct`.",
)
