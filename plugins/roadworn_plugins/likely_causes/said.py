"""What the analysis says: its sentences, and the words of each check."""

from collections.abc import Iterable

from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Says
from roadworn_plugins.likely_causes.pictures import Seen
from roadworn_plugins.likely_causes.words import trade_words

say = Says(
    "likely-causes",
    {
        "none": "Nothing is open{vehicle} whose cause could be asked: no code, no complaint.",
        "on": " on {vehicle}",
        "headline": "{vehicle}: {pictures}{check}{behind}{others}.",
        "headline-own": "{pictures}{check}{behind}{others}.",
        "points": "{picture} points to {part} ({chance:.0%} by all that was seen; it was that in "
        "{n} of {every} {every:case|cases} here that had some of it)",
        "points-new": "{picture} points to {part} (no case like it here)",
        "nothing": "nothing points anywhere for {picture} (no case like it here)",
        "others": "; {n} more {n:vehicle|vehicles} {n:has|have} something open",
        "check-first": "; first {check} ({minutes} min)",
        "and-behind": "; behind {part} may stand {behind}: do that first",
        "failed": "{part} failed",
        "wearing": "{part} wearing",
        "no-case": "no case like it here: the trade points to it",
        "none-of-them": "none of the like cases: the trade or a finding points to it",
        "own-cases": "{n} of its {every} {every:case|cases} on this class",
        "other-cases": "{n} {n:case|cases}, all on other classes",
        "second": "if {code} is a fault of its own",
        "tried": "done on {days}, and it is still open",
        "chain": "{lead}; behind it may stand {behind}: do that first{price}, it spares "
        "{spared}{spares}",
        "chain-short": "{lead}; behind it may stand {behind}",
        "lead-points": "{picture} points to {part}{again}",
        "lead-again": "{part} failed here {n} {n:time|times}",
        "lead-found": "{found}{state}",
        "failed-here": ", which failed here {n} {n:time|times}",
        "link": "{part}{state}{offered}",
        "in-brackets": " ({state})",
        "and-offered": ", {offered}",
        "behind-that": "{nearer}, and behind that {farther}",
        "costs": " ({amount:,.0f} {currency})",
        "worth": " at {amount:,.0f} {currency}",
        "only-chain": "{vehicle}: {behind}{others}.",
        "only-chain-own": "{behind}{others}.",
        "again": "{part} failed here {n} {n:time|times}: look for what brings it down before "
        "another one",
        "failed-since": "found failed on {day}",
        "wearing-since": "found wearing on {day}",
        "code-open": "{code} is active",
        "careful": "Somebody can get hurt: read the cautions below before this check.",
        "by-base": "how often each is the cause on the class",
        "by-code": "the code alone",
        "by-all": "all that was seen",
        "points-to": "A picture points to a cause and orders no part: check before replacing.",
        "by-trade": "What the trade points to is what the code standard, the catalogue and common "
        "practice do.",
        "by-all-seen": "A chance counts all that was seen together; a like case shares a code or a "
        "complaint and no more, so its share among them is another figure.",
        "see-below": "{first} may stand behind it: see what to do first",
        "practice": "Checks, minutes, prices and what brings what down: common practice, "
        "no source.",
        "cases": "{n} earlier {n:case|cases} with a known cause {n:is|are} on record.",
        "few": "They are too few to set how much each fact counts; usual weights stand in (common "
        "practice, no source).",
        "not-shown": "{n} more {n:row|rows} {n:is|are} not shown; raise the setting most.",
        "check-swap-coil": "swap the coil with the next cylinder's and see whether the code "
        "moves along",
        "check-plug-wells": "look for oil in the plug wells",
        "check-plugs": "take the plugs out and compare them",
        "check-injector": "compare the injectors: listen, measure, balance",
        "check-compression": "measure compression and leak-down",
        "check-air-leak": "look for unmetered air with smoke or spray",
        "check-exhaust-leak": "listen and feel for leaks ahead of the sensors, cold",
        "check-sensor-trace": "watch the oxygen sensors live, warm",
        "check-converter": "rule out misfire, mixture and leaks, then compare both sensors and "
        "back pressure",
        "check-battery": "measure rest voltage and under load",
        "check-charging": "measure charging voltage with and without load",
        "check-voltage-drop": "measure the voltage drop over cables and grounds while cranking",
        "check-belt": "look at the belt, its line and its tension",
        "check-mount": "watch the engine rock while it is loaded",
        "check-coolant": "press the cold system and look for the leak",
        "check-thermostat": "compare the temperature live with both hoses while it warms up",
        "check-fan": "switch the fan on and see it run",
        "check-joints": "feel for play, loaded and unloaded, on stands",
        "check-bearing": "drive, listen in bends, then turn and rock the wheel on stands",
        "check-bounce": "bounce each corner, look for oil and listen",
        "check-brakes": "take the wheels off, measure linings and discs, see the calipers slide",
        "check-wheel-speed": "compare the wheel speeds live, look at sensor, ring and lead",
        "check-egr": "move the valve by command and look for soot",
        "check-fuel-pressure": "measure fuel pressure at rest and under load",
        "check-bulb": "measure at the lamp: current and ground",
        "check-hybrid-block": "compare the voltages of the blocks under load on the reader",
        "check-hybrid-cooling": "see the battery's fan and filter free, hear it run",
    },
)
_CHECK = "check-"
#: Check -> its words.
CHECKS = {word[len(_CHECK) :]: say(word) for word in say.templates if word[: len(_CHECK)] == _CHECK}
del CHECKS["first"]


def told_picture(seen: Iterable[Seen]) -> Joined:
    """Return a picture in words: its codes, what was said as typed, what was found."""
    told: list[object] = []
    for one in seen:
        kind, _, name = one.name.partition(":")
        if kind == "code":
            told.append(name)
        elif kind in {"failed", "wearing"}:
            told.append(say(kind, part=part_name(name, one.place)))
        elif one.words:
            told.append(f"“{one.words}”")
    return Joined(dict.fromkeys(told))


def first_check(component: str) -> str:
    """Return the cheapest look that tells of a component, an empty text where none is known."""
    checks = [one for one in trade_words().checks if component in one.tells]
    cheapest = min(checks, key=lambda one: (one.price, one.minutes), default=None)
    return "" if cheapest is None else CHECKS[cheapest.name]
