"""Proofs that a holder of one printed root can check without the ledger."""

import json
from contextlib import suppress
from hashlib import sha256

import pytest
from builders import enrolled, reading
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roadworn.intake import Ledger
from roadworn.model.errors import UnknownName, UsageError
from roadworn.store.proof import check_proof, consistency_proof, inclusion_proof

SIZE = 21


@pytest.fixture(scope="module")
def roots(tmp_path_factory):
    """A ledger that grew one event at a time, and its root at each size."""
    path = tmp_path_factory.mktemp("proof") / "shop.db"
    made = {}
    with Ledger.create(path) as ledger:
        made[0] = ledger.checkpoint().root
        ledger.append(enrolled("bus-7"))
        made[1] = ledger.checkpoint().root
        for at in range(2, SIZE + 1):
            ledger.append(reading("bus-7", "2026-02-01", at))
            made[at] = ledger.checkpoint().root
        ids = [stored.event_id for stored in ledger.events()]
    return path, made, ids


def through_json(proof):
    return json.loads(json.dumps(proof))


@settings(max_examples=60)
@given(st.data())
def test_inclusion(roots, data):
    path, made, ids = roots
    seq = data.draw(st.integers(1, SIZE), "seq")
    size = data.draw(st.integers(seq, SIZE), "size")
    proof = through_json(inclusion_proof(path, ids[seq - 1], size))
    assert (proof["index"], proof["size"], proof["root"]) == (seq - 1, size, made[size])
    assert check_proof(proof)
    assert check_proof(proof, made[size].upper())
    assert not check_proof(proof, made[size - 1])
    for name, value in (("odometer", 1e6), ("occurred_at", "2026-02-02"), ("payload", "{}")):
        forged = {**proof, "event": {**proof["event"], name: value}}
        assert not check_proof(forged)
    assert not check_proof({**proof, "index": (seq % size) if size > 1 else 1})


@settings(max_examples=60)
@given(st.data())
def test_consistency(roots, data):
    path, made, _ = roots
    old = data.draw(st.integers(0, SIZE), "old")
    size = data.draw(st.integers(old, SIZE), "size")
    proof = through_json(consistency_proof(path, old, size))
    assert (proof["old_root"], proof["root"]) == (made[old], made[size])
    assert check_proof(proof, made[old])
    if old != size:
        assert not check_proof({**proof, "old_root": made[size]})
        assert not check_proof(proof, made[size])


def test_the_leaf_is_what_the_docs_say(roots):
    path, _, ids = roots
    proof = inclusion_proof(path, ids[4])
    array = json.dumps(list(proof["event"].values()), separators=(",", ":"), ensure_ascii=False)
    # Python's json and not orjson, as another program would do it.
    order = ["event_id", "vehicle_id", "kind", "version", "occurred_at", "recorded_at"]
    order += ["recorded_by", "source", "odometer", "odometer_unit", "intake_key", "payload"]
    assert list(proof["event"]) == order
    assert sha256(b"\x00" + array.encode()).hexdigest() == proof["leaf"]


def test_a_rewritten_history_has_no_proof_from_the_old_root(roots, tmp_path):
    _, made, _ = roots
    with Ledger.create(tmp_path / "other.db") as ledger:
        ledger.append(enrolled("bus-7", label="other"))
        ledger.append_many(reading("bus-7", "2026-02-01", at) for at in range(30))
    proof = consistency_proof(tmp_path / "other.db", SIZE)
    assert check_proof(proof)
    assert not check_proof(proof, made[SIZE])


def test_what_cannot_be_proved(roots):
    path, _, ids = roots
    with pytest.raises(UnknownName):
        inclusion_proof(path, "0190a1b2-c3d4-7000-8000-00000000ffff")
    with pytest.raises(UsageError):
        inclusion_proof(path, ids[9], size=9)
    for old, size in ((5, 4), (-1, 4), (0, SIZE + 1)):
        with pytest.raises(UsageError):
            consistency_proof(path, old, size)


@pytest.mark.parametrize(
    "bad", [{}, {"proof": "inclusion"}, {"proof": "x", "path": [], "root": ""}]
)
def test_what_is_no_proof(bad):
    with pytest.raises(UsageError, match="roadworn proof"):
        check_proof(bad)


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_mangled_proof_never_holds_and_never_breaks(roots, data):
    path, _, ids = roots
    proof = through_json(inclusion_proof(path, ids[7]))
    name = data.draw(st.sampled_from(sorted(proof)))
    value = data.draw(st.one_of(st.none(), st.integers(), st.text(max_size=5), st.lists(st.text())))
    mangled = {**proof, name: value}
    if mangled == proof:
        return
    with suppress(UsageError):
        assert not check_proof(mangled)
