"""Every finding a validator can make has words of its own, and times are those of the calendar."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.analysis.host import make_settings
from roadworn.checks.known import envelope_problems, in_future
from roadworn.checks.shape import PATTERNS, column_name
from roadworn.intake import prepare
from roadworn.model.errors import UsageError
from roadworn.model.events import NewEvent
from roadworn.model.kinds import CORE_KINDS, KindRegistry
from roadworn.model.messages import shown
from roadworn_plugins.inspection import INSPECTION_OUTLOOK


def patterns(schema):
    if isinstance(schema, dict):
        if isinstance(schema.get("pattern"), str):
            yield schema["pattern"]
        for item in schema.values():
            yield from patterns(item)
    elif isinstance(schema, list):
        for item in schema:
            yield from patterns(item)


@pytest.mark.parametrize(
    "model", [NewEvent, *CORE_KINDS.values()], ids=lambda model: model.__name__
)
def test_every_pattern_of_the_models_is_put_in_words(model):
    used = {text.replace("[0-9]", r"\d") for text in patterns(model.__pydantic_core_schema__)}
    assert used <= set(PATTERNS)


def test_places_and_values():
    assert column_name(("payload", "findings", 0, "component")) == "payload.findings[0].component"
    assert column_name((0, "a")) == "[0].a"
    assert column_name(()) == ""
    assert shown("x" * 100) == "'" + "x" * 56 + "..."


@pytest.mark.parametrize(
    "moment",
    [
        "2026-02-29",
        "2026-13-01",
        "0000-01-01",
        "2026-01-01T24:00:00Z",
        "2026-01-01T23:60:00Z",
        "2026-01-01T23:59:60Z",
        "٢٠٢٦-٠١-٠١",
        "2026-01-01T09:30:00.٠Z",
    ],
)
def test_times_that_do_not_exist(moment):
    problems = envelope_problems(moment, "2030-01-01T00:00:00Z", None, None)
    assert [problem.code for problem in problems] == ["no-such-date"]


@pytest.mark.parametrize(
    "occurred,recorded,future",
    [
        # A day is local: at UTC+14, the widest offset in use, it begins a day ahead of UTC.
        ("2026-01-02", "2026-01-01T10:00:00Z", False),
        ("2026-01-03", "2026-01-01T23:00:00Z", True),
        ("2027-01-01", "2026-12-31T10:00:00Z", False),
        ("2026-01-01T10:00:00Z", "2026-01-01T10:00:00Z", False),
        ("2026-01-01T10:00:00.5Z", "2026-01-01T10:00:00Z", False),
        ("2026-01-01T10:00:01Z", "2026-01-01T10:00:00Z", True),
        ("2026-01-02T00:00:00Z", "2026-01-01T23:00:00Z", True),
        ("2026-01-01T23:00:00Z", "2026-01-01", False),
    ],
)
def test_what_is_in_the_future(occurred, recorded, future):
    assert in_future(occurred, recorded) is future


SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8)
NESTED = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=4), inner, max_size=2)
    ),
    max_leaves=6,
)


@given(
    st.dictionaries(st.text(max_size=12), NESTED, max_size=4), st.sampled_from(sorted(CORE_KINDS))
)
def test_any_payload_is_taken_or_becomes_problems(payload, kind):
    event = NewEvent(vehicle_id="v", kind=kind, occurred_at="2026-01-01", payload=payload)
    result = prepare(event, KindRegistry())
    if isinstance(result, list):
        assert result
        assert all(problem.message.endswith((".", ").")) for problem in result)


@pytest.mark.parametrize(
    ("setting", "value", "told"),
    [
        (
            "tread_32nds",
            "abc",
            "'tread-32nds' of inspection-outlook cannot be 'abc': write a number",
        ),
        ("tread_32nds", "0", "write more than 0"),
        ("steering", "hand", "write one of"),
    ],
)
def test_a_setting_that_does_not_fit_is_said_in_plain_words(
    setting: str, value: str, told: str
) -> None:
    with pytest.raises(UsageError, match=told):
        make_settings(INSPECTION_OUTLOOK, {setting: value})
