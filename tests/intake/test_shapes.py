"""The fast validators accept what the models accept, refuse what they refuse, and give the same."""

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError, model_validator

from roadworn.intake import plain_validator
from roadworn.model.kinds import CORE_KINDS
from roadworn.model.payloads import Payload
from roadworn.store.writer import without_none

GOLDEN = {
    file.name.partition(".")[0]: json.loads(file.read_text())
    for file in (Path(__file__).parents[1] / "model" / "golden").glob("*.v1.json")
}
WORDS = [
    None,
    True,
    False,
    0,
    1,
    -1,
    1.0,
    1.5,
    10**20,
    1e300,
    "",
    "1",
    "x",
    "km",
    "LF",
    "brake.pad",
    "Brake.Pad",
    "USD",
    "usd",
    "84.50",
    "٨٤",
    "2026-02-30",
    "0190a1b2-c3d4-7000-8000-000000000001",
    "x" * 300,
    [],
    {},
    [None],
    [{}],
    {"amount": "1", "currency": "EUR"},
]


def paths(value, at=()):
    """Every place in a JSON value."""
    yield at
    if isinstance(value, dict):
        for key, item in value.items():
            yield from paths(item, (*at, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from paths(item, (*at, index))


def changed(value, at, new):
    if not at:
        return new
    copy = dict(value) if isinstance(value, dict) else list(value)
    copy[at[0]] = changed(value[at[0]], at[1:], new)
    return copy


@pytest.mark.parametrize("name", CORE_KINDS)
def test_every_core_kind_has_one(name):
    assert plain_validator(CORE_KINDS[name]) is not None


@given(st.data())
def test_they_agree(data):
    name = data.draw(st.sampled_from(sorted(CORE_KINDS)))
    payload = GOLDEN[name]
    for _ in range(data.draw(st.integers(0, 2))):
        at = data.draw(st.sampled_from(list(paths(payload))), "at")
        what = data.draw(st.sampled_from(["replace", "drop", "add"]), "what")
        if what == "replace":
            payload = changed(payload, at, data.draw(st.sampled_from(WORDS), "word"))
        elif what == "drop" and at:
            holder = payload
            for part in at[:-1]:
                holder = holder[part]
            if isinstance(holder, dict):
                kept = {key: item for key, item in holder.items() if key != at[-1]}
                payload = changed(payload, at[:-1], kept)
        elif isinstance(payload, dict):
            payload = {**payload, data.draw(st.sampled_from(["extra", "note", "replaces"])): "n"}
    model = CORE_KINDS[name]
    try:
        slow = model.model_validate_json(json.dumps(payload)).model_dump(
            mode="json", exclude_none=True
        )
    except ValidationError:
        slow = None
    try:
        fast = without_none(plain_validator(model).validate_python(payload))
    except ValidationError:
        fast = None
    assert fast == slow
    # To the letter: 1 and 1.0 are equal but not the same text, and keys come sorted.
    assert json.dumps(fast) == json.dumps(slow, sort_keys=True)


class WithRule(Payload):
    low: float
    high: float

    @model_validator(mode="after")
    def in_order(self):
        if self.low > self.high:
            raise ValueError("low is above high")
        return self


class Tree(BaseModel):
    children: tuple["Tree", ...] = ()


class Odd(Payload):
    anything: dict[str, int] | None = None


@pytest.mark.parametrize("model", [WithRule, Tree, Odd])
def test_what_cannot_be_turned_is_left_to_the_model(model):
    assert plain_validator(model) is None
