"""An event told in one line of plain words, for histories and for the line after `record`.

What is told is made of sentences with codes, so that a history can be told in any language;
what somebody typed stays as it is.
"""

from collections.abc import Callable, Mapping
from contextlib import suppress
from decimal import Decimal
from typing import Any

from roadworn.model import in_use
from roadworn.model.amounts import LIFETIME
from roadworn.model.errors import UsageError
from roadworn.model.messages import Joined, Sentence
from roadworn.say.said import SAID

#: Characters of a text that are shown where it is not asked for in full.
LONGEST = 240
#: A payload in the current version of its kind, or a part of one.
Payload = Mapping[str, Any]


def brief_text(text: str, longest: int = LONGEST) -> str:
    """Return a text as it is, or its beginning and how long it is."""
    if len(text) <= longest:
        return text
    return f"{text[:longest].rstrip()}… ({len(text):,} characters)"


def brief(value: Any, longest: int = LONGEST) -> Any:  # noqa: ANN401  # a value inside a payload
    """Return a payload, or a value inside one, with each long text cut."""
    if isinstance(value, str):
        return brief_text(value, longest)
    if isinstance(value, dict):
        return {name: brief(item, longest) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [brief(item, longest) for item in value]
    return value


def _worded(value: object) -> object:
    money = isinstance(value, Mapping) and value.keys() == {"amount", "currency"}
    return money_words(value) if money else value  # type: ignore[arg-type]


def describe(kind: str, payload: Payload) -> str:
    """Tell an event in one line.

    Args:
        kind: name of the event kind; one of a plugin is told as the plugin in use says, or field
            by field.
        payload: its payload in the current version.
    """
    if kind not in _TELLERS:
        told_of = in_use().told_of(kind)
        if told_of is not None:
            sentence, fields = told_of
            given = {field: _worded(value) for field, value in payload.items()}
            try:
                return Sentence(kind, sentence, **{**dict.fromkeys(fields, ""), **given})
            # A number's form does not fit a text, say: then it is told as any other.
            except (ValueError, KeyError, TypeError, IndexError):
                pass
        return Joined(f"{field}: {_worded(value)}" for field, value in payload.items())
    told, note = _TELLERS[kind](payload), payload.get("note")
    # Why a scan failed is kept as its note, and is often what the telling says already.
    return Joined((told, None if note and str(told).endswith(f": {note}") else note), "; ")


def item_words(item: Payload) -> str:
    """Return component and place in words, ``wheel bearing LF``."""
    component, position = item.get("component"), item.get("position") or ""
    if not component:
        return ""
    from roadworn.model.catalogue import part_name

    return part_name(component, position)


def test_words(name: str) -> str:
    """Return a test after work in words; one that is not known here as it was written."""
    return _say(f"test-{name}") if f"test-{name}" in SAID else _read(name)


def money_words(money: Mapping[str, str] | None) -> str:
    """Return an amount with its currency, or an empty text."""
    if not money:
        return ""
    return _say("money", amount=Decimal(money["amount"]), currency=money["currency"])


def _say(word: str, **arguments: object) -> Sentence:
    return Sentence(f"told-{word}", SAID[word], **arguments)


#: Fields whose stored words are read with spaces.
_READ = ("front_brakes", "rear_brakes", "use")


def _given(payload: Payload, *fields: str) -> list[str]:
    """Return what is said of each field that is given."""
    told = ((field, payload.get(field)) for field in fields)
    return [
        _say(field, **{field: _read(value) if field in _READ else value})
        for field, value in told
        if value not in (None, "")
    ]


def _read(word: str) -> str:
    """Return a word of a payload as it is read: ``worn_out`` is worn out."""
    return word.replace("_", " ")


def _profile(payload: Payload) -> Joined:
    built = Joined([payload.get(field) for field in ("model_year", "make", "model")], " ")
    plain = [payload.get(field) for field in ("vehicle_class", "engine", "gearbox", "fuel")]
    named = (
        "drive",
        "front_brakes",
        "rear_brakes",
        "vin",
        "label",
        "duty",
        "use",
        "weight_class",
        "depot",
        "in_service_date",
        "records_since",
        "owner_reference",
    )
    parts = payload.get("parts")
    known = [_say("parts-unknown")] if parts == "unknown" else _given(payload, "parts")
    bought = {"purchase_price": money_words(payload.get("purchase_price"))}
    told = [*_given(payload, *named), *_given(bought, "purchase_price")]
    told += [*_given(payload, "purchase_date"), _inspected(payload)]
    return Joined([built, *plain, *told, *_given(payload, "odometer_digits"), *known])


def _inspected(payload: Payload) -> str:
    by = payload.get("inspected_by")
    if f"inspected_by-{by}" in SAID:
        return _say(f"inspected_by-{by}")
    return _say("inspected_by", inspected_by=by) if by else ""


def _reading(payload: Payload) -> str:
    how, status = payload.get("how", "typed"), payload.get("status", "unknown")
    if status == "unknown":
        return _say("reading", how=how)
    return _say("reading-status", how=how, status=_read(status))


def _exchange(payload: Payload) -> str:
    old, new, unit = payload["old_reading"], payload["new_reading"], payload["unit"]
    return _say("exchange", old=old, new=new, unit=unit)


def _finding(finding: Payload) -> Joined:
    figures, sizes = [], []
    for measurement in finding.get("measurements", ()):
        name, value, unit = measurement.get("name"), measurement["value"], measurement["unit"]
        measured = _say("32nds" if unit == "32nds" else "measured", value=value, unit=unit)
        # A size says what the limit hangs on and nothing of the part's condition.
        if name and _is_size(name):
            sizes.append(_say("size", name=name, size=measured))
        else:
            figures.append(measured)
    condition = _read(finding["condition"])
    if finding.get("safety"):
        condition = _say("safety", condition=condition)
    found = Joined([item_words(finding), *figures, condition], " ")
    return Joined([found, *sizes, finding.get("note")])


def _is_size(name: str) -> bool:
    from roadworn.trade.judging import size_keys

    return name in size_keys()


def _inspection(payload: Payload) -> str:
    told: list[str] = [_finding(finding) for finding in payload.get("findings", ())]
    for field in ("sound", "not_checked"):
        items = Joined(item_words(item) for item in payload.get(field, ()))
        told += [_say(field, items=items)] if items else []
    told += [_say("rest", rest=_read(payload["rest"]))] if payload.get("rest") else []
    return _say("inspection", told=Joined(told, "; ") or _say("nothing"))


def _code(code: Payload) -> Joined:
    kind = f"-{code['failure_type']}" if "failure_type" in code else ""
    status = code.get("status", "stored")
    told = {"stored": "", "previous": "previously active"}.get(status, status)
    return Joined([f"{code['code']}{kind}", told, *_given(code, "status_byte", "count")], " ")


def _module(module: Payload) -> str:
    name = module.get("name", "engine")
    if module.get("outcome") == "failed":
        return _say("no-answer", module=name)
    codes = Joined(_code(code) for code in module.get("codes", ()))
    return _say("module", module=name, codes=codes or _say("no-codes"))


def _scan(payload: Payload) -> str:
    told = [_module(module) for module in payload.get("modules", ())]
    told += [_say(f"lamp-{payload['lamp']}")] if payload.get("lamp") else []
    told += [_monitors(payload["readiness"])] if payload.get("readiness") else []
    if payload.get("distance_since_clear") is not None:
        distance, unit = payload["distance_since_clear"], payload.get("distance_unit", "km")
        told.append(_say("since-clear", distance=distance, unit=unit))
    return _say("scan", told=Joined([*told, *_given(payload, "warm_ups_since_clear")], "; "))


def _monitors(readiness: str) -> str:
    """Return which monitors have not finished; bytes that tell of none as they stand."""
    from roadworn.trade.scan_bytes import decode_readiness

    found = None
    with suppress(UsageError):
        found = decode_readiness(readiness)
    # A vehicle that names no monitor does not say that they are ready.
    if not found or not any(one.supported for one in found.monitors):
        return _say("readiness", readiness=readiness)
    if found.just_cleared:
        return _say("monitors-not-run")
    waiting = Joined(_say(f"monitor-{name}") for name in found.not_ready)
    return _say("monitors-waiting", monitors=waiting) if waiting else _say("monitors-ready")


def _complaint(payload: Payload) -> Joined:
    told = _given(payload, "complaint", "cause", "correction")
    return Joined([*told, item_words(payload)], "; ")


def _photograph(payload: Payload) -> str:
    file = {name: payload[name] for name in ("size", "media")}
    told = [item_words(payload), _say("photograph-file", **file, digest=payload["digest"][:16])]
    return _say("photograph", told=Joined(filter(None, told)))


def _costs(payload: Payload) -> list[str]:
    hours, rate = payload.get("labour_hours"), money_words(payload.get("labour_rate"))
    told = [money_words(payload.get("parts_cost"))]
    if hours is not None:
        told.append(
            _say("hours-at", hours=hours, rate=rate) if rate else _say("hours", hours=hours)
        )
    if payload.get("other_cost"):
        told.append(_say("other-cost", amount=money_words(payload["other_cost"])))
    fluid = [payload.get("fluid")]
    if payload.get("fluid_amount") is not None:
        amount, unit = payload["fluid_amount"], payload.get("fluid_unit", "")
        fluid.append(_say("fluid_amount", fluid_amount=amount, fluid_unit=unit))
    told.append(Joined(fluid, " "))
    told += _given(payload, "clocked_hours", "done_by")
    told += [_say("done_at", depot=payload["depot"])] if payload.get("depot") else []
    told += _given(payload, "work_order")
    if payload.get("estimate"):
        line = payload.get("estimate_line", "")
        told.append(_say("agreed", line=line, event=payload["estimate"][-8:]))
    if payload.get("tests"):
        told.append(_say("tests", tests=Joined(test_words(test) for test in payload["tests"])))
    return told


def _warranty(payload: Payload) -> str:
    months, distance = payload.get("warranty_months"), payload.get("warranty_distance")
    unit = payload.get("warranty_unit", "")
    if distance is None and months == LIFETIME:
        return _say("warranty-lifetime")
    if distance is None:
        return "" if months is None else _say("warranty-months", months=months)
    word = "warranty-distance" if months is None else "warranty"
    return _say(word, months=months, distance=distance, unit=unit)


def _comeback(payload: Payload) -> str:
    if payload.get("comeback_of") is None:
        return ""
    cause = payload.get("comeback_cause")
    word = "comeback" if cause in (None, "unknown") else f"comeback-of-{cause}"
    return _say(word, event=payload["comeback_of"][-8:])


def _replacement(payload: Payload) -> Joined:
    kind, source = payload.get("part_kind", "unknown"), payload.get("part_source")
    along = {"along_with": item_words({"component": payload.get("along_with")})}
    return Joined(
        [
            _say("replacement", part=item_words(payload), reason=_read(payload["reason"])),
            *(_given(payload, "quantity") if payload.get("quantity", 1) > 1 else ()),
            "" if kind == "unknown" else kind,
            _say(f"source-{source}") if source in ("stock", "customer") else "",
            *_given(payload, "part_number", "maker", "supplier"),
            *_given(along, "along_with"),
            _warranty(payload),
            _comeback(payload),
            *_costs(payload),
        ]
    )


def _repair(payload: Payload) -> Joined:
    texts = [payload.get(field) for field in ("complaint", "cause", "correction")]
    told = [_say("repair", part=item_words(payload)), *texts, _comeback(payload), *_costs(payload)]
    return Joined(told, "; ")


def _maintenance(payload: Payload) -> Joined:
    done = Joined([item_words(payload), payload.get("action", "replaced")], " ")
    return Joined([done, *_costs(payload)])


def _work_test(payload: Payload) -> str:
    return _say(f"work_test-{payload['result']}", test=test_words(payload["test"]))


def _estimate(payload: Payload) -> str:
    told = []
    for line in payload.get("lines", ()):
        work = Joined([item_words(line), line.get("work")])
        told.append(_say("line", line=line["line"], work=work, amount=money_words(line["amount"])))
    totals = payload.get("totals")
    whole = [_say("in-all", total=money_words(totals["total"]))] if totals else []
    told_all = Joined([*told, *whole], "; ")
    if payload.get("revises"):
        return _say("revision", event=payload["revises"][-8:], told=told_all)
    return _say("estimate", told=told_all)


def _authorisation(payload: Payload) -> str:
    answers = [
        _say("answer", line=answer["line"], decision=answer["decision"])
        for answer in payload.get("decisions", ())
    ]
    return _say("authorisation", answers=Joined(answers))


def _result(payload: Payload) -> Joined:
    told = _say("result", which=payload["inspection"], result=_read(payload["result"]))
    items, due = Joined(payload.get("items", ())), _given(payload, "due_date")
    return Joined([told, items, *due, payload.get("station"), money_words(payload.get("fee"))])


def _retirement(payload: Payload) -> Joined:
    left = _say("retirement", reason=_read(payload["reason"]))
    return Joined([left, money_words(payload.get("price"))])


def _visit(payload: Payload) -> Joined:
    told = Joined([*_given(payload, "promised"), *_given(payload, "promised_time")], " ")
    return Joined([_say(f"visit-{payload['step']}"), told])


def _out_of_service(payload: Payload) -> Joined:
    told = _say("out_of_service", cause=_read(payload["cause"]))
    return Joined([told, *_given(payload, "days", "until")])


def _energy(payload: Payload) -> Joined:
    put_in = _say("energy", amount=payload["amount"], unit=payload["amount_unit"])
    fill = [_say(f"fill-{payload['fill']}")] if payload.get("fill") else []
    return Joined([put_in, money_words(payload.get("cost")), *fill])


def _wheels(payload: Payload) -> Joined:
    moves = Joined(f"{one['from_place']}>{one['to_place']}" for one in payload.get("moves", ()))
    told = [_say("wheels-rotated", moves=moves)] if moves else []
    if payload.get("fitted"):
        told.append(_say("wheels-swapped", fitted=payload["fitted"]))
    for field in ("stored", "storage"):
        told += [_say(f"wheels-{field}", **{field: payload[field]})] if payload.get(field) else []
    return Joined(told)


_TELLERS: Mapping[str, Callable[[Payload], str]] = {
    "enrolment": lambda it: _say("enrolment", profile=_profile(it)),
    "profile_change": lambda it: _say("profile_change", profile=_profile(it)),
    "odometer_reading": _reading,
    "odometer_exchange": _exchange,
    "inspection": _inspection,
    "scan": _scan,
    "replacement": _replacement,
    "repair": _repair,
    "maintenance": _maintenance,
    "work_test": _work_test,
    "estimate": _estimate,
    "authorisation": _authorisation,
    "complaint": _complaint,
    "photograph": _photograph,
    "valuation": lambda it: _say("valuation", value=money_words(it["value"]), source=it["source"]),
    "inspection_result": _result,
    "retirement": _retirement,
    "visit": _visit,
    "out_of_service": _out_of_service,
    "back_in_service": lambda _it: _say("back_in_service"),
    "energy": _energy,
    "hours_reading": lambda it: _say("hours_reading", hours=it["hours"]),
    "wheels": _wheels,
    "merge": lambda it: _say("merge", into=it["into"]),
    "retraction": lambda it: _say("retraction", event=it["event"][-8:], reason=it["reason"]),
}
