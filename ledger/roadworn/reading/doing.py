"""From the approved lines of an estimate to the work that was done: typed once, never again.

A line says component, place, parts, hours and price; what it answered, a finding or a code, says
why; the bay says only what differed (`roadworn.reading.done_words`). What neither tells is asked,
never guessed: a replacement that was none would end the life of a part that is still fitted.
"""

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from roadworn.checks.facts import WORK, Facts
from roadworn.model.catalogue import Component, catalogue
from roadworn.model.errors import LedgerRefused, UsageError
from roadworn.model.events import StoredEvent
from roadworn.reading.done_costs import costs_of, spread
from roadworn.reading.done_words import REASONS, SERVICES, WORK_WORDS, Differs
from roadworn.say.telling import item_words
from roadworn.trade.after_work import asked_after
from roadworn.trade.warranty import same_place

#: Words of a line's work say what was done; with these a part came new, though no price says so.
_NEW = frozenset({"new"})
#: Fields of a replacement that other work does not have.
_OF_A_PART = (
    *("part_number", "maker", "supplier", "part_kind", "part_source", "quantity", "reason"),
    *("warranty_months", "warranty_distance", "warranty_unit"),
)


@dataclass(frozen=True, slots=True)
class Job:
    """A piece of work to be written down.

    Attributes:
        line: number of the estimate's line.
        kind: replacement, repair or maintenance.
        payload: its fields.
        why: what the reason rests on, in words, or an empty text.
    """

    line: int
    kind: str
    payload: dict[str, Any]
    why: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """What a line leaves open.

    Attributes:
        line: its number.
        text: the question.
        answer: words that would answer it.
    """

    line: int
    text: str
    answer: str


class Doing:
    """An estimate whose lines are being written down as done.

    Attributes:
        estimate: the event.
        lines: its lines by number.
        facts: what the ledger knows.
        revised_by: id of the estimate that took its place, or an empty text.
    """

    def __init__(self, estimate: StoredEvent, facts: Facts) -> None:
        self.estimate, self.facts = estimate, facts
        self.lines: dict[int, dict[str, Any]] = {
            line["line"]: line for line in estimate.data()["lines"]
        }
        self.revised_by = next(
            (
                other.event_id
                for other in facts.events(estimate.vehicle_id, "estimate")
                if other.data().get("revises") == estimate.event_id
            ),
            "",
        )
        self._work = sorted(facts.events(estimate.vehicle_id, *WORK), key=_when)
        self._answers = _answers(facts.events(estimate.vehicle_id, "authorisation"))

    def answer(self, number: int) -> tuple[str, str]:
        """Return the last answer to a line and its day; two empty texts when there is none."""
        line = self.lines[number]
        own = self._answers.get((self.estimate.event_id, number))
        return own or self._answers.get((line.get("as_in", ""), line.get("as_line", 0)), ("", ""))

    def answered_in(self, number: int) -> tuple[str, int]:
        """Return the estimate and the line whose answer holds for a line."""
        line, own = self.lines[number], (self.estimate.event_id, number)
        if own in self._answers or "as_in" not in line:
            return own
        return line["as_in"], line["as_line"]

    def done_by(self, number: int) -> StoredEvent | None:
        """Return the first work that was done for a line, or None."""
        line = self.lines[number]
        named = {(self.estimate.event_id, number), (line.get("as_in"), line.get("as_line"))}
        start = self.estimate.occurred_at[:10], self.estimate.seq
        for event in self._work:
            data = event.data()
            if data.get("estimate") is not None:
                if (data["estimate"], data.get("estimate_line")) in named:
                    return event
                continue
            looked = data.get("action") == "inspected"
            if not looked and (event.occurred_at[:10], event.seq) > start and _same(data, line):
                return event
        return None

    def approved(self) -> list[int]:
        """Return the numbers of the lines that are approved and not done; rebates are no work."""
        if self.revised_by:
            return []  # what it left open is asked for by the one that took its place
        return [
            number
            for number, line in self.lines.items()
            if self.answer(number)[0] == "approved"
            and Decimal(line["amount"]["amount"]) >= 0
            and self.done_by(number) is None
        ]

    def check(self, number: int, *, again: bool = False) -> None:
        """Refuse a line that was not approved, or is done.

        Raises:
            LedgerRefused: says what to do.
        """
        line, estimate = self.lines[number], self.estimate.event_id[-8:]
        what = f"Line {number}, {item_words(line)},"
        decision, day = self.answer(number)
        if self.revised_by:
            raise LedgerRefused(
                f"{what} is of an estimate that was revised: take the lines of "
                f"{self.revised_by[-8:]}; nothing was written."
            )
        if decision != "approved":
            told = f"was {decision} on {day}" if decision else "was never answered"
            raise LedgerRefused(
                f"{what} {told}: once the customer agrees, write `roadworn record authorisation "
                f"{self.estimate.vehicle_id} {estimate} {number}=approved` and then done again; "
                "nothing was written."
            )
        work = self.done_by(number)
        if work is not None and not again:
            raise LedgerRefused(
                f"{what} was done on {work.occurred_at[:10]} (event {work.event_id[-8:]}): correct "
                "that event, or add --again if it was done a second time; nothing was written."
            )

    def plan(self, number: int, said: Sequence[Differs]) -> list[Job] | Question:
        """Return the work of a line, or what has to be asked first.

        Args:
            number: of the line.
            said: what differed; what is about every line only counts where it can, a warranty
                for new parts, and what is said of this line goes before it.

        Raises:
            UsageError: what was said does not go together.
        """
        line = self.lines[number]
        differs = _joined([one for one in said if number in one.lines])
        general = _joined([one for one in said if not one.lines])
        known = catalogue().get(line["component"])
        kind, action = _kind_of(line, known, _joined((general, differs)))
        if not kind:
            part = item_words(line)
            text = f"Line {number}, {part}, has labour and no part: was it replaced or repaired?"
            return Question(number, text, "replaced own part")
        for name in general.fields:
            if kind == "replacement" or name not in _OF_A_PART:
                differs.fields.setdefault(name, general.fields[name])
        places = _places(line, known, differs)
        fields = {key: value for key, value in differs.fields.items() if value is not None}
        work = _work_words(line)
        # What was agreed with a new part, and done without one.
        unfitted = kind != "replacement" and _joined((general, differs)).kind == "repair"
        unfitted = unfitted and bool(_not_fitted(line)) and "parts_cost" not in differs.fields
        made: dict[str, Any] = {"component": known.id}
        why = ""
        if kind == "replacement":
            reason, why = fields.pop("reason", ""), ""
            if not reason:
                reason, why = self._reason(line, places)
            if not reason:
                text = f"Why was line {number}, {item_words(line)}, replaced?"
                return Question(number, f"{text} failed, worn out, preventive …", "worn out")
            made["reason"] = reason
            made |= _part_fields(line, fields)
        elif kind == "maintenance":
            made["action"] = fields.pop("action", "") or action
            _drop_part_fields(fields, number, "a service")
        else:
            correction = fields.get("correction", "") if unfitted else work
            correction = correction or fields.get("correction", "")
            # That it was repaired is what the kind says.
            made |= {} if correction in {"", "repaired", "repair"} else {"correction": correction}
            _drop_part_fields(fields, number, "a repair")
        for name in ("action", "correction", "parts_cost", "labour_hours", "labour_rate"):
            fields.pop(name, None)
        if kind == "replacement" and work and "note" not in fields:
            made["note"] = work
        brought = fields.get("part_source") == "customer"
        made |= fields | costs_of(line, differs, brought=brought or unfitted)
        if unfitted:
            why = _not_fitted(line)
        agreed, at = self.answered_in(number)
        made |= {"estimate": agreed, "estimate_line": at}
        tests = asked_after(known.id, made.get("action", ""))
        if tests:
            made["tests"] = list(tests)
        return [Job(number, kind, one, why) for one in spread(made, places)]

    def _reason(self, line: Mapping[str, Any], places: Sequence[str | None]) -> tuple[str, str]:
        """Return why a part was replaced, by the finding or code that the line answered."""
        vehicle, component = self.estimate.vehicle_id, line["component"]
        since = max((e.seq for e in self._work if _same(e.data(), line)), default=0)
        for event in self.facts.events(vehicle, "inspection"):
            if event.seq < since:
                break
            day = event.occurred_at[:10]
            for finding in event.data().get("findings", ()):
                meets = finding["component"] == component and any(
                    same_place(component, place, finding.get("position")) for place in places
                )
                means = {"failed": "failed", "wearing": "worn_out"}.get(finding["condition"])
                if meets and means:
                    return means, f"as found on {day}: {finding['condition']}"
                if meets and finding["condition"] == "sound":
                    since = max(since, event.seq)
        for event in self.facts.events(vehicle, "complaint"):
            if event.seq > since and _same(event.data(), line):
                return "failed", f"by the complaint of {event.occurred_at[:10]}"
        return self._by_code(component, since) or _by_words(line)

    def _by_code(self, component: str, since: int) -> tuple[str, str] | None:
        scan = next(iter(self.facts.events(self.estimate.vehicle_id, "scan")), None)
        if scan is None or scan.seq < since:
            return None
        from roadworn.trade.codes import told_code

        for module in scan.data()["modules"]:
            for code in module.get("codes", ()):
                if component in told_code(code["code"])[1]:
                    return "failed", f"by the code {code['code']} of {scan.occurred_at[:10]}"
        return None


def _answers(events: Iterable[StoredEvent]) -> dict[tuple[str, int], tuple[str, str]]:
    """Return the last answer to each line of each estimate, with its day."""
    found: dict[tuple[str, int], tuple[str, str]] = {}
    for event in sorted(events, key=_when):
        data = event.data()
        for decision in data["decisions"]:
            told = decision["decision"], event.occurred_at[:10]
            found[data["estimate"], decision["line"]] = told
    return found


def _when(event: StoredEvent) -> tuple[str, int]:
    return event.occurred_at[:10], event.seq


def _same(data: Mapping[str, Any], line: Mapping[str, Any]) -> bool:
    component = line["component"]
    return data.get("component") == component and same_place(
        component, data.get("position"), line.get("position")
    )


def _joined(said: Iterable[Differs]) -> Differs:
    """Return all that was said of one line; what was said of it alone goes before the rest."""
    made = Differs()
    for one in said:
        made.fields |= one.fields
        made.kind = one.kind or made.kind
        made.total = one.total or made.total
        made.places = one.places or made.places
        made.text = one.text or made.text
    return made


def _kind_of(line: Mapping[str, Any], known: Component, said: Differs) -> tuple[str, str]:
    """Return kind and action of the work of a line; two empty texts where it does not say."""
    is_service = known.wear_type in {"consumable", "service"}
    if said.kind:
        kind = "maintenance" if is_service and said.kind == "replacement" else said.kind
        return kind, said.fields.get("action", "replaced")
    if known.id in SERVICES:
        return "maintenance", SERVICES[known.id]
    if known.wear_type == "service":
        return "maintenance", "adjusted"
    kinds = {piece["kind"] for piece in line.get("pieces") or ()}
    has_part = bool(kinds & {"parts", "core"}) or line.get("parts_cost") is not None
    of_a_part = not set(_OF_A_PART[:5]).isdisjoint(said.fields)
    for word in _work_words(line).casefold().replace(",", " ").split():
        kind, action = WORK_WORDS.get(word, ("", ""))
        if kind and word not in _NEW and not (kind == "maintenance" and has_part):
            return ("maintenance", action or "replaced") if is_service else (kind, action)
    if is_service:
        return "maintenance", "replaced"
    # A price as a whole is that of a new part, as a counter says it.
    if has_part or of_a_part or "reason" in said.fields or not kinds or kinds == {"flat"}:
        return "replacement", "replaced"
    return "", ""


def _work_words(line: Mapping[str, Any]) -> str:
    return str(line.get("work") or "").strip()


def _places(line: Mapping[str, Any], known: Component, said: Differs) -> list[str | None]:
    """Return where the work of a line was: its own place, what was said, or what its words say."""
    if not said.places and line.get("position"):
        return [line["position"]]
    text = said.places or _work_words(line).partition(",")[0]
    if not text or known.positions == "none":
        return [None]
    from roadworn.reading.bench import hear

    # A place that is said of several parts is meant for each of them.
    names = (f"{known.name}s {text}", f"{known.name} {text}")
    for name in names:
        with suppress(UsageError):
            heard = hear(name)
            fits = {one.component.id for one in heard} == {known.id}
            if fits and all(one.position for one in heard) and not heard[0].note:
                return [one.position for one in heard]
    if said.places:
        raise UsageError(
            f"{said.places!r} is no place of {known.name} ({known.positions})",
            "write it as at LF, or at rear",
        )
    return [None]


def _part_fields(line: Mapping[str, Any], fields: dict[str, Any]) -> dict[str, Any]:
    """Return what is said of the new part; none of our warranty for one that was brought.

    Raises:
        UsageError: the customer brought it, and it has a price or a warranty all the same.
    """
    many = [p.get("quantity", 1) for p in line.get("pieces") or () if p["kind"] == "parts"]
    made: dict[str, Any] = {"quantity": many[0]} if len(many) == 1 and many[0] > 1 else {}
    if fields.get("part_source") == "customer":
        given = [n for n in ("parts_cost", "warranty_months", "warranty_distance") if n in fields]
        if given:
            raise UsageError(
                "The customer brought the part, so it has no price and no warranty of ours",
                "leave them out",
            )
    return made


def _drop_part_fields(fields: dict[str, Any], number: int, what: str) -> None:
    """Refuse what is said of a part where none was fitted.

    Raises:
        UsageError: names it.
    """
    quantity = fields.pop("quantity", None)
    del quantity
    given = [name for name in _OF_A_PART if name in fields]
    if given:
        raise UsageError(
            f"Line {number} is {what}, and {given[0].replace('_', ' ')} is said of a new part",
            f"write {number} replaced … if one was fitted, or leave it out",
        )


def _not_fitted(line: Mapping[str, Any]) -> str:
    """Say what the parts of a line would have cost that was done without them, or nothing."""
    money = line.get("parts_cost")
    if not money:
        return ""
    return (
        f"agreed with a new part and repaired instead, so {Decimal(money['amount']):,.2f} "
        f"{money['currency']} of parts is left out"
    )


def _by_words(line: Mapping[str, Any]) -> tuple[str, str]:
    """Return why by the words of the line's own work, ``worn`` or ``leaking``."""
    words = _work_words(line).casefold().replace(",", " ").split()
    found = next((REASONS[word] for word in words if word in REASONS), "")
    return found, "by the words of the estimate" if found else ""


def revise(former: Doing, payload: dict[str, Any]) -> list[str]:
    """Make an estimate a revision of another, and say what changed.

    A line that stands as it was answered names that line, so that the answer holds.

    Args:
        former: the estimate whose place it takes.
        payload: of the new one; is changed in place.
    """
    told: list[str] = []
    left = dict(former.lines)
    payload["revises"] = former.estimate.event_id
    for line in payload["lines"]:
        at = next((n for n, old in left.items() if _place_of(old) == _place_of(line)), None)
        old = left.pop(at) if at is not None else None
        what = f"line {line['line']}, {item_words(line)}"
        if at is None or old is None:
            told.append(f"{what}, is new")
            continue
        now, before = line["amount"], old["amount"]
        if now != before:
            money = f"{Decimal(before['amount']):,.2f} to {Decimal(now['amount']):,.2f}"
            told.append(f"{what}, goes from {money} {now['currency']}")
        elif line.get("work") != old.get("work"):
            told.append(f"{what}, is other work at the same price")
        elif former.answer(at)[0]:
            line["as_in"], line["as_line"] = former.answered_in(at)
            told.append(f"{what}, stays {former.answer(at)[0]}")
    told += [f"{item_words(old)} (line {at}) is left out" for at, old in left.items()]
    return told


def _place_of(line: Mapping[str, Any]) -> tuple[str, str]:
    return line["component"], line.get("position") or ""
