"""What the record of a class says."""

from roadworn.model.messages import Says, Sentence

say = Says(
    "class-record",
    {
        "none": "No failure that was put right is on record, so no record of a {by} either.",
        "one": "Every vehicle is of one {by}, {name}: there is nothing to compare it with.",
        "few": "Too few to tell the {n} apart: {failures} {failures:failure|failures} "
        "{failures:is|are} on record.",
        "alike": "No {by} fails more or less than the others beyond chance; of {name} the {part} "
        "stands out most.",
        "alike-none": "No {by} fails more or less than the others beyond chance, nor does any part "
        "of one.",
        "keep": "Keep or buy {best}: {low:.2f} times as many failures as usual at its distance"
        "{strong}. Think twice about {worst}: {high:.2f} times as many{weak}.",
        "best-only": "Keep or buy {best}: {low:.2f} times as many failures as usual at its "
        "distance{strong}.",
        "worst-only": "Think twice about {worst}: {high:.2f} times as many failures as usual at "
        "its distance{weak}.",
        "of-one": "{name}: {ratio:.2f} times as many failures as usual at its distance "
        "({low:.2f} to {high:.2f}){weak}{strong}{hard}.",
        "weak": "; its weak point is the {part} ({ratio:.1f} times)",
        "strong": "; what lasts on it is the {part} ({ratio:.1f} times)",
        "hard": "; the same job takes {ratio:.2f} times the hours",
        "before": "Before buying {name} at {distance:,.0f} {unit}, look first at: {parts}.",
        "any": "any vehicle",
        "before-part": "{part} ({chance:.0%} to fail within {ahead:,.0f} {unit}{cost})",
        "before-cost": ", about {cost:,.0f} {currency}",
        "before-none": "Nothing on record or in the trade ranges says what to look at first.",
        "too-few": "too few to tell",
        "no-difference": "no difference shown",
        "fails-more": "fails more than the others",
        "lasts": "lasts longer than the others",
        "harder": "takes longer to work on",
        "easier": "is quicker to work on",
        "by-own": "{n} failed on such vehicles near this distance, {others} on all others",
        "by-others": "none on such vehicles near this distance; {others} on all others",
        "by-trade": "trade range only (common practice, no source)",
        "ages": "{low} to {high} {high:year|years}",
        "ages-over": "over {low} {low:year|years}",
        "years": "{n:.1f} years",
        "far": "{n:,.0f} {unit}",
        "by-class": "class",
        "by-make": "make",
        "by-model": "model",
        "by-engine": "engine",
        "by-gearbox": "gearbox",
        "by-year": "model year",
        "not-compared": "{n} {n:vehicle|vehicles} without a recorded {by} {n:is|are} left out.",
        "no-distance": "{n} {n:failure|failures} without a distance {n:is|are} not compared.",
        "unlike": "Who drives a {by}, and how, may differ; that stands in the ratios too.",
        "sold": "What was sold because it failed leaves a better record behind than it had.",
        "not-shown": "{n} more {n:row|rows} {n:is|are} not shown; raise the setting most.",
        "unknown-group": "No vehicle like it is on record: all vehicles speak for it.",
        "needs-distance": "A distance is needed with model, vehicle-class or year: "
        "distance=90000, in the unit of the ledger.",
    },
)


def by_words(by: str) -> Sentence:
    """Return what vehicles are put together by, in words."""
    return say(f"by-{by}")
