"""An event told in one line of plain words, for histories and for the line after `record`."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UnknownName

#: Characters of a text that are shown where it is not asked for in full.
LONGEST = 240


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


Payload = Mapping[str, Any]


def describe(kind: str, payload: Payload) -> str:
    """Tell an event in one line.

    Args:
        kind: name of the event kind; kinds of plugins are told field by field.
        payload: its payload in the current version.
    """
    teller = _TELLERS.get(kind, _tell_any)
    text = teller(payload)
    note = payload.get("note")
    return f"{text}; {note}" if note and teller is not _tell_any else text


def item_words(item: Payload) -> str:
    """Return component and place in words, ``wheel bearing LF``."""
    component = item.get("component")
    if not component:
        return ""
    place = item.get("position") or ""
    try:
        known = catalogue().get(component)
    except UnknownName:
        # An event of a shop with its own catalogue, or of an earlier one: the id will do.
        return f"{component} {place}".strip()
    if place.isdigit() and known.positions in {"bank", "cylinder", "axle"}:
        place = f"{known.positions} {place}"
    return f"{known.name} {place}".strip()


def money_words(money: Mapping[str, str] | None) -> str:
    """Return an amount with its currency, or an empty text."""
    return f"{money['amount']} {money['currency']}" if money else ""


_PROFILE_WORDS: Mapping[str, str] = {
    "vin": "VIN",
    "label": "called",
    "duty": "duty",
    "weight_class": "weight class",
    "in_service_date": "in service since",
    "owner_reference": "owner",
    "odometer_digits": "odometer digits",
}


def _join(parts: Sequence[str], by: str = ", ") -> str:
    return by.join(part for part in parts if part)


def _number(value: float) -> str:
    return f"{value:,.10g}"


def _tell_profile(payload: Payload) -> str:
    built = [str(payload.get(field) or "") for field in ("model_year", "make", "model")]
    told = [_join(built, " ")]
    told += [payload.get(field) or "" for field in ("vehicle_class", "engine", "gearbox", "fuel")]
    told += [
        f"{words} {payload[field]}"
        for field, words in _PROFILE_WORDS.items()
        if payload.get(field) is not None
    ]
    if payload.get("parts"):
        told.append(f"parts {payload['parts']}")
    return _join(told)


def _tell_enrolment(payload: Payload) -> str:
    return f"enrolled: {_tell_profile(payload)}"


def _tell_profile_change(payload: Payload) -> str:
    return f"profile changed: {_tell_profile(payload)}"


def _tell_reading(payload: Payload) -> str:
    status = payload.get("status", "unknown")
    told = "" if status == "unknown" else f", {status.replace('_', ' ')}"
    return f"odometer read ({payload.get('how', 'typed')}{told})"


def _tell_exchange(payload: Payload) -> str:
    old, new, unit = payload["old_reading"], payload["new_reading"], payload["unit"]
    return f"odometer exchanged: old {_number(old)} {unit}, new {_number(new)} {unit}"


def _measured(measurement: Payload) -> str:
    # Tread is read in thirty-seconds of an inch and written as a fraction.
    value, unit = _number(measurement["value"]), measurement["unit"]
    return f"{value}/32 in" if unit == "32nds" else f"{value} {unit}"


def _tell_finding(finding: Payload) -> str:
    figures, sizes = [], []
    for measurement in finding.get("measurements", ()):
        if _is_size(measurement):
            # A size says what the limit hangs on and nothing of the part's condition.
            sizes.append(f"{measurement['name']} {_measured(measurement)}")
        else:
            figures.append(_measured(measurement))
    condition = finding["condition"].replace("_", " ")
    safety = " (safety)" if finding.get("safety") else ""
    rest = "".join(f", {text}" for text in (*sizes, finding.get("note")) if text)
    return f"{_join([item_words(finding), *figures, condition], ' ')}{safety}{rest}"


def _is_size(measurement: Payload) -> bool:
    if not measurement.get("name"):
        return False
    from roadworn.trade.judging import size_keys

    return measurement["name"] in size_keys()


def _tell_inspection(payload: Payload) -> str:
    told = [_tell_finding(finding) for finding in payload.get("findings", ())]
    for field, words in (("sound", "sound"), ("not_checked", "not checked")):
        items = [item_words(item) for item in payload.get(field, ())]
        if items:
            told.append(f"{words}: {', '.join(items)}")
    rest = payload.get("rest")
    if rest:
        told.append(f"everything else {rest.replace('_', ' ')}")
    return f"look-over: {_join(told, '; ') or 'nothing written down'}"


_SCAN_STATUS: Mapping[str, str] = {
    "pending": "pending",
    "permanent": "permanent",
    "previous": "previously active",
}


def _tell_scan(payload: Payload) -> str:
    told: list[str] = []
    for module in payload.get("modules", ()):
        if module.get("outcome") == "failed":
            told.append(f"{module.get('name', 'engine')}: no answer")
            continue
        codes = [
            _join(
                (
                    code["code"] + (f"-{code['failure_type']}" if "failure_type" in code else ""),
                    _SCAN_STATUS.get(code.get("status", "stored"), ""),
                    f"status {code['status_byte']}" if "status_byte" in code else "",
                    f"counted {code['count']}" if "count" in code else "",
                ),
                " ",
            )
            for code in module.get("codes", ())
        ]
        told.append(f"{module.get('name', 'engine')}: {', '.join(codes) or 'no codes'}")
    if payload.get("lamp"):
        told.append(f"lamp {payload['lamp']}")
    if payload.get("readiness"):
        told.append(f"readiness {payload['readiness']}")
    if payload.get("distance_since_clear") is not None:
        distance, unit = payload["distance_since_clear"], payload.get("distance_unit", "km")
        told.append(f"{_number(distance)} {unit} since clear")
    if payload.get("warm_ups_since_clear") is not None:
        told.append(f"{payload['warm_ups_since_clear']} warm-ups since clear")
    return f"scan: {_join(told, '; ')}"


def _costs(payload: Payload) -> list[str]:
    told = [money_words(payload.get("parts_cost"))]
    if payload.get("labour_hours") is not None:
        rate = money_words(payload.get("labour_rate"))
        told.append(f"{_number(payload['labour_hours'])} h{f' at {rate}' if rate else ''}")
    if payload.get("work_order"):
        told.append(f"order {payload['work_order']}")
    return told


def _tell_replacement(payload: Payload) -> str:
    quantity = payload.get("quantity", 1)
    part = [f"{quantity} of them" if quantity > 1 else ""]
    if payload.get("part_kind", "unknown") != "unknown":
        part.append(payload["part_kind"])
    for field, words in (("part_number", "part"), ("maker", "made by"), ("supplier", "from")):
        if payload.get(field):
            part.append(f"{words} {payload[field]}")
    if payload.get("along_with"):
        part.append(f"along with {item_words({'component': payload['along_with']})}")
    warranty = []
    if payload.get("warranty_months") is not None:
        warranty.append(f"{payload['warranty_months']} months")
    if payload.get("warranty_distance") is not None:
        distance, unit = payload["warranty_distance"], payload.get("warranty_unit", "")
        warranty.append(f"{_number(distance)} {unit}")
    if warranty:
        part.append(f"warranty {' or '.join(warranty)}")
    reason = payload["reason"].replace("_", " ")
    return _join([f"{item_words(payload)} replaced, {reason}", *part, *_costs(payload)])


def _tell_repair(payload: Payload) -> str:
    texts = [payload.get(field) or "" for field in ("complaint", "cause", "correction")]
    return _join([f"{item_words(payload)} repaired", *texts, *_costs(payload)], "; ")


def _tell_maintenance(payload: Payload) -> str:
    return _join([f"{item_words(payload)} {payload.get('action', 'replaced')}", *_costs(payload)])


def _tell_estimate(payload: Payload) -> str:
    lines = [
        f"{line['line']}) {_join([item_words(line), line.get('work') or ''])} "
        f"{money_words(line['amount'])}"
        for line in payload.get("lines", ())
    ]
    totals = payload.get("totals")
    whole = [f"{money_words(totals['total'])} in all"] if totals else []
    return f"estimate: {_join([*lines, *whole], '; ')}"


def _tell_authorisation(payload: Payload) -> str:
    answers = [f"line {d['line']} {d['decision']}" for d in payload.get("decisions", ())]
    return f"answer to the estimate: {', '.join(answers)}"


def _tell_complaint(payload: Payload) -> str:
    told = [f"complaint: {payload['complaint']}"]
    told += [f"{word}: {payload[word]}" for word in ("cause", "correction") if payload.get(word)]
    return _join([*told, item_words(payload)], "; ")


def _tell_valuation(payload: Payload) -> str:
    return f"valued at {money_words(payload['value'])} ({payload['source']})"


def _tell_result(payload: Payload) -> str:
    told = [f"{payload['inspection']} inspection: {payload['result'].replace('_', ' ')}"]
    if payload.get("items"):
        told.append(", ".join(payload["items"]))
    if payload.get("due_date"):
        told.append(f"next due {payload['due_date']}")
    return _join([*told, payload.get("station") or "", money_words(payload.get("fee"))])


def _tell_retirement(payload: Payload) -> str:
    reason = payload["reason"].replace("_", " ")
    return _join([f"left: {reason}", money_words(payload.get("price"))])


def _tell_retraction(payload: Payload) -> str:
    return f"took back event {payload['event'][-8:]}: {payload['reason']}"


def _tell_any(payload: Payload) -> str:
    return _join([f"{field}: {value}" for field, value in payload.items()])


_TELLERS: Mapping[str, Callable[[Payload], str]] = {
    "enrolment": _tell_enrolment,
    "profile_change": _tell_profile_change,
    "odometer_reading": _tell_reading,
    "odometer_exchange": _tell_exchange,
    "inspection": _tell_inspection,
    "scan": _tell_scan,
    "replacement": _tell_replacement,
    "repair": _tell_repair,
    "maintenance": _tell_maintenance,
    "estimate": _tell_estimate,
    "authorisation": _tell_authorisation,
    "complaint": _tell_complaint,
    "valuation": _tell_valuation,
    "inspection_result": _tell_result,
    "retirement": _tell_retirement,
    "retraction": _tell_retraction,
}
