"""From all replies of one read to its result: a pure step that says what is missing and why.

Any module may command the lamp and hold codes, so every module that answers is told by itself.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from roadworn.adapter.framing import NO_ANSWER, Form, Reply
from roadworn.adapter.result import AdapterScan, ModuleRead
from roadworn.adapter.services import (
    LIST_SERVICES,
    Answers,
    ListName,
    answers_to,
    codes_of,
    module_name,
    number_of,
    offered,
    vin_of,
)
from roadworn.model.messages import Problem
from roadworn.trade.scan_bytes import decode_readiness
from roadworn.trade.vin import decode_vin

#: What each request asks for, in words; the order is the order of asking.
WORDS: Mapping[str, str] = {
    "0100": "what the vehicle offers",
    "0101": "lamp and readiness",
    "03": "stored codes",
    "07": "pending codes",
    "0A": "permanent codes",
    "0902": "VIN",
    "0121": "distance with the lamp on",
    "0130": "warm-ups since codes were cleared",
    "0131": "distance since codes were cleared",
    "014E": "time since codes were cleared",
    "01A6": "odometer",
}
#: Single figures: request -> length in bytes (SAE J1979, from memory).
FIGURES: Mapping[str, int] = {"0121": 2, "0130": 1, "0131": 2, "014E": 2, "01A6": 4}
_AGAIN = "check that the ignition is on and the plug sits firmly, and read again"
_SHOWN = 4  # of the parts of one answer that could not be read
# Silence to these is how a vehicle says that it does not have them.
_OPTIONAL = {
    "0A": "Permanent codes are not offered by this vehicle.",
    "0902": "The VIN is not offered by this vehicle.",
}


@dataclass(frozen=True, slots=True)
class Asked:
    """A request with its reply, taken apart, and what modules answered to it."""

    request: str
    reply: Reply
    answers: Answers

    @classmethod
    def of(cls, request: str, reply: Reply) -> "Asked":
        """Sort the messages of a reply by module."""
        return cls(request, reply, answers_to(request, reply.messages))

    @property
    def clean(self) -> bool:
        """Whether it is an answer and all of it could be read."""
        return not self.reply.refusal and not self.reply.broken

    def bodies(self, module: str) -> list[bytes]:
        """Return a module's messages, none when a part of them is missing."""
        spoilt = any(broken.module == module for broken in self.reply.broken)
        return [] if spoilt or self.reply.refusal else self.answers.bodies.get(module, [])


def assemble(asked: Mapping[str, Asked], form: Form, raw: str) -> AdapterScan:
    """Return the result of a read.

    Args:
        asked: by request; what is not in it was not asked since nobody offers it.
        form: how frames are written on this line.
        raw: everything that was asked and answered.
    """
    addresses = _addresses(asked.values())
    modules = tuple(_module(address, asked, form) for address in addresses)
    figures = {request: _figure(asked.get(request), addresses) for request in FIGURES}
    vin, vin_problems = _vin(asked.get("0902"), addresses, form)
    odometer = figures["01A6"]
    remarks = [
        text
        for request, text in _OPTIONAL.items()
        if request in asked and _not_offered(asked[request], addresses)
    ]
    problems = [
        *(problem for one in asked.values() for problem in _not_read(one, addresses)),
        *(problem for module in modules for problem in _lists_not_read(module, asked)),
        *_status_not_read(modules, asked),
        *(problem for module in modules for problem in _count(module)),
        *vin_problems,
    ]
    if not modules:
        problems.append(Problem("scan-failed", "No control module could be read.", _AGAIN))
    return AdapterScan(
        vin=vin,
        modules=modules,
        lamp=_lamp(modules, asked),
        readiness=next((m.readiness for m in modules if m.readiness), None),
        distance_since_clear_km=figures["0131"],
        warm_ups=figures["0130"],
        minutes_since_clear=figures["014E"],
        distance_with_lamp_km=figures["0121"],
        odometer_km=None if odometer is None else odometer / 10,
        raw=raw,
        problems=tuple(problems),
        remarks=tuple(remarks),
    )


def _addresses(asked: Iterable[Asked]) -> list[str]:
    found: set[str] = set()
    for one in asked:
        found |= {*one.answers.bodies, *one.answers.declined}
        found |= {broken.module for broken in one.reply.broken if broken.module}
    return sorted(found, key=lambda address: (module_name(address) != "engine", address))


def _module(address: str, asked: Mapping[str, Asked], form: Form) -> ModuleRead:
    lists = {name: _list(asked.get(LIST_SERVICES[name]), address, form) for name in LIST_SERVICES}
    status = number_of(asked["0101"].bodies(address), 4) if "0101" in asked else None
    return ModuleRead(
        address,
        module_name(address),
        **lists,
        readiness=None if status is None else f"{status:08X}",
    )


def _list(one: Asked | None, address: str, form: Form) -> tuple[str, ...] | None:
    if one is None or (one.reply.broken and form in {"older", "kwp"}):
        return None  # lines are not numbered there: a lost one would shorten a list unseen
    return codes_of(one.bodies(address), form)


def _figure(one: Asked | None, addresses: Iterable[str]) -> int | None:
    if one is None:
        return None
    values = (number_of(one.bodies(address), FIGURES[one.request]) for address in addresses)
    return next((value for value in values if value is not None), None)


def _lamp(modules: Iterable[ModuleRead], asked: Mapping[str, Asked]) -> Literal["on", "off"] | None:
    known = {m.address: decode_readiness(m.readiness).lamp for m in modules if m.readiness}
    if any(known.values()):
        return "on"
    unsure = _without_status(modules, asked) or not asked["0101"].clean
    return "off" if known and not unsure else None


def _without_status(
    modules: Iterable[ModuleRead], asked: Mapping[str, Asked]
) -> tuple[ModuleRead, ...]:
    """Return modules that should have given lamp and readiness and did not."""
    tried = {*asked["0101"].answers.bodies, *asked["0101"].answers.stray}
    for address in asked["0100"].answers.bodies:
        parameters = offered(0x00, asked["0100"].bodies(address))
        if parameters is None or 0x01 in parameters:
            tried.add(address)
    return tuple(m for m in modules if m.address in tried and m.readiness is None)


def _vin(
    one: Asked | None, addresses: Iterable[str], form: Form
) -> tuple[str | None, list[Problem]]:
    if one is None:
        return None, []
    given = {address: one.bodies(address) for address in addresses}
    found = [vin_of(bodies, form) for bodies in given.values() if bodies]
    if not found:
        return None, []
    whole = list(dict.fromkeys(data for data in found if data is not None))
    if not whole:
        return None, [Problem("scan-vin", "The VIN came without its 17 characters.", _AGAIN)]
    text = whole[0].decode("ascii", errors="replace")
    decoded = decode_vin(text)
    problems = list(decoded.problems)
    if len(whole) > 1:
        problems.append(
            Problem(
                "scan-vin",
                "Control modules give different VINs: one may come from another vehicle.",
                "compare them with the plate",
            )
        )
    # Without an expected check digit it does not have 17 legal characters.
    return (None if decoded.expected is None else decoded.vin), problems


def _not_offered(one: Asked, addresses: Iterable[str]) -> bool:
    if one.reply.refusal:
        return one.reply.refusal == NO_ANSWER
    return one.clean and not one.answers.bodies and one.answers.declined == set(addresses)


def _not_read(one: Asked, addresses: Iterable[str]) -> list[Problem]:
    """Return why a reply, or a part of it, was not read."""
    what = WORDS.get(one.request, WORDS["0100"])
    if one.reply.refusal:
        if one.request in _OPTIONAL and one.reply.refusal == NO_ANSWER:
            return []
        return [Problem("scan-not-read", f"Not read: {what}: {one.reply.refusal}.", _AGAIN)]
    whys = list(
        dict.fromkeys(
            f"{module_name(broken.module)}: {broken.why}" if broken.module else broken.why
            for broken in one.reply.broken
        )
    )
    problems = [
        Problem("scan-line", f"A part of the answer about {what} could not be read: {why}.", _AGAIN)
        for why in whys[:_SHOWN]
    ]
    if len(whys) > _SHOWN:
        more = f"{len(whys) - _SHOWN} more parts of the answer about {what} could not be read."
        problems.append(Problem("scan-line", more, _AGAIN))
    silent = one.request in FIGURES and _figure(one, addresses) is None
    if silent and not problems and not one.answers.declined:
        problems.append(Problem("scan-not-read", f"Not read: {what}: no usable answer.", _AGAIN))
    return problems


def _lists_not_read(module: ModuleRead, asked: Mapping[str, Asked]) -> list[Problem]:
    """Return the lists that this module alone did not give, though others were answered."""
    lists: Mapping[ListName, object] = {
        "stored": module.stored,
        "pending": module.pending,
        "permanent": module.permanent,
    }
    problems = []
    for name, codes in lists.items():
        one = asked.get(LIST_SERVICES[name])
        if codes is not None or one is None or one.reply.refusal:
            continue
        silent = module.address not in {*one.answers.bodies, *one.answers.stray}
        declined = module.address in one.answers.declined
        if (declined and name != "stored") or (name == "permanent" and silent and one.clean):
            continue
        message = f"Module {module.name} gave no readable list of {name} codes."
        problems.append(Problem("scan-not-read", message, _AGAIN))
    return problems


def _status_not_read(modules: Iterable[ModuleRead], asked: Mapping[str, Asked]) -> list[Problem]:
    if asked["0101"].reply.refusal:
        return []  # told once for all of them
    return [
        Problem("scan-not-read", f"Module {module.name} gave no lamp and readiness.", _AGAIN)
        for module in _without_status(modules, asked)
    ]


def _count(module: ModuleRead) -> list[Problem]:
    if module.readiness is None or module.stored is None:
        return []
    counted = decode_readiness(module.readiness).codes
    if counted == len(module.stored):
        return []
    return [
        Problem(
            "scan-count",
            f"Module {module.name} counts {counted} codes in its status and lists "
            f"{len(module.stored)} stored.",
            "read again; when it stays so, its list may be incomplete",
        )
    ]
