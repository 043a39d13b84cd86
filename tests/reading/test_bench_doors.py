"""What a bench types at the other doors: distances, answers, read-outs, warranties.

Which word means what is common practice, no source.
"""

import pytest

from roadworn.model.amounts import LIFETIME, read_odometer, read_warranty
from roadworn.model.errors import ProblemsFound, UnknownName, UsageError
from roadworn.reading import read_item
from roadworn.reading.estimate_lines import read_worked_line
from roadworn.reading.estimates import read_decisions
from roadworn.reading.scans import read_scan


@pytest.mark.parametrize(
    ("typed", "figure"),
    [
        ("143k", (143_000.0, "km")),
        ("143.2k", (143_200.0, "km")),
        ("143.2k mi", (143_200.0, "mi")),
        ("143K miles", (143_000.0, "mi")),
        ("143 km", (143.0, "km")),
        ("143 k", (143_000.0, "km")),
        ("61,250", (61_250.0, "km")),
    ],
)
def test_thousands_in_short(typed: str, figure: tuple[float, str]) -> None:
    assert read_odometer(typed, "km") == figure


@pytest.mark.parametrize("typed", ["143k", "143.25678k km", "k", "1k2"])
def test_thousands_without_a_unit_or_with_too_many_places_are_asked(typed: str) -> None:
    with pytest.raises(UsageError):
        read_odometer(typed)


@pytest.mark.parametrize(
    ("typed", "fields"),
    [
        ("lifetime", {"warranty_months": LIFETIME}),
        ("Limited Lifetime", {"warranty_months": LIFETIME}),
        ("none", {}),
        ("as-is", {}),
        ("12 mo", {"warranty_months": 12}),
        (
            "24/24k mi",
            {"warranty_months": 24, "warranty_distance": 24_000.0, "warranty_unit": "mi"},
        ),
    ],
)
def test_every_usual_warranty(typed: str, fields: dict[str, object]) -> None:
    assert read_warranty(typed) == fields


@pytest.mark.parametrize(
    ("words", "answers"),
    [
        (["1=ok", "2=no"], ["approved", "declined"]),
        (["1=cancelled", "2=later"], ["declined", "deferred"]),
        (["all=approved"], ["approved", "approved", "approved"]),
        (["1,3=yes", "2=not now"], ["approved", "approved", "deferred"]),
        (["1-3=go"], ["approved", "approved", "approved"]),
    ],
)
def test_answers_of_a_counter(words: list[str], answers: list[str]) -> None:
    assert [one["decision"] for one in read_decisions(words, {1, 2, 3})] == answers


@pytest.mark.parametrize("words", [["all=ok"], ["3-1=ok"], ["x=ok"], ["1=ok", "1-2=no"]])
def test_answers_that_leave_a_line_open_are_refused(words: list[str]) -> None:
    with pytest.raises(UsageError):
        read_decisions(words)


def statuses(*texts: str) -> dict[str, str]:
    payload, _read = read_scan(texts)
    return {c["code"]: c["status"] for m in payload["modules"] for c in m["codes"]}


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("P0171 pend P0420 hist", {"P0171": "pending", "P0420": "previous"}),
        ("3 codes\nP0171\nP0420\nP0300", dict.fromkeys(("P0171", "P0420", "P0300"), "stored")),
        ("ECM 2 codes found\nP0171\nP0420", dict.fromkeys(("P0171", "P0420"), "stored")),
        ("2 pending codes:\nP0171\nP0420", dict.fromkeys(("P0171", "P0420"), "pending")),
        ("DTC count: 1\nP0420", {"P0420": "stored"}),
        ("P0420 P0171 2 codes", dict.fromkeys(("P0420", "P0171"), "stored")),
    ],
)
def test_how_many_codes_a_title_says(text: str, found: dict[str, str]) -> None:
    assert statuses(text) == found


def test_a_counted_list_behind_a_code_is_asked() -> None:
    with pytest.raises(ProblemsFound):
        read_scan(["P0420 2 pending codes P0171"])


def test_no_codes_is_still_none() -> None:
    payload, _read = read_scan(["0 codes"])
    assert payload["modules"][0]["codes"] == []


def test_a_distance_since_clear_in_the_unit_that_is_set() -> None:
    payload, _read = read_scan(["P0420"], since_clear="340", unit="mi")
    assert (payload["distance_since_clear"], payload["distance_unit"]) == (340.0, "mi")
    with pytest.raises(UsageError):
        read_scan(["P0420"], since_clear="340")


def test_the_words_of_the_bench_hold_at_every_door() -> None:
    assert read_item("serp belt") == {"component": "engine.drive_belt"}
    line = read_worked_line("serp belt, replace 65.00 USD", 1)
    assert (line["component"], line["work"]) == ("engine.drive_belt", "replace")


@pytest.mark.parametrize("typed", ["seet belt", "sret belt", "ar bag"])
def test_what_is_only_nearly_a_safety_item_is_asked(typed: str) -> None:
    with pytest.raises(UnknownName, match="did you mean"):
        read_item(typed)
