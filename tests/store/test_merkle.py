"""The tree against RFC 6962: published roots, the definition itself, and proofs of all sizes."""

import json
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.store.merkle import (
    CompactRange,
    consistency_path,
    inclusion_path,
    merkle_root,
    verify_consistency,
    verify_inclusion,
)

VECTORS = json.loads(
    (Path(__file__).parents[1] / "reference" / "rfc6962" / "tree_hashes.json").read_text()
)
MAX = 70


def defined(entries: list[bytes]) -> bytes:
    """MTH of RFC 6962, section 2.1, word for word, over the entries (not their leaf hashes)."""
    if not entries:
        return sha256(b"").digest()
    if len(entries) == 1:
        return sha256(b"\x00" + entries[0]).digest()
    k = 1
    while 2 * k < len(entries):
        k *= 2
    return sha256(b"\x01" + defined(entries[:k]) + defined(entries[k:])).digest()


def defined_path(m: int, entries: list[bytes]) -> list[bytes]:
    """PATH(m, D[n]) of RFC 6962, section 2.1.1."""
    if len(entries) == 1:
        return []
    k = 1
    while 2 * k < len(entries):
        k *= 2
    if m < k:
        return [*defined_path(m, entries[:k]), defined(entries[k:])]
    return [*defined_path(m - k, entries[k:]), defined(entries[:k])]


def defined_subproof(m: int, entries: list[bytes], whole: bool) -> list[bytes]:
    """SUBPROOF(m, D[n], b) of RFC 6962, section 2.1.2."""
    if m == len(entries):
        return [] if whole else [defined(entries)]
    k = 1
    while 2 * k < len(entries):
        k *= 2
    if m <= k:
        return [*defined_subproof(m, entries[:k], whole), defined(entries[k:])]
    return [*defined_subproof(m - k, entries[k:], False), defined(entries[:k])]


def entries_of(count: int) -> list[bytes]:
    return [f"entry {at}".encode() for at in range(count)]


def hashed(entries: list[bytes]) -> list[bytes]:
    return [sha256(b"\x00" + entry).digest() for entry in entries]


@pytest.mark.parametrize("size", range(9))
def test_published_roots(size):
    entries = [bytes.fromhex(text) for text in VECTORS["leaves"]][:size]
    published = VECTORS["roots"][str(size)]
    assert defined(entries).hex() == published
    assert merkle_root(hashed(entries)).hex() == published


@pytest.mark.parametrize("size", range(MAX + 1))
def test_growing_range_has_the_defined_root_at_every_size(size):
    entries = entries_of(size)
    edge = CompactRange()
    for leaf in hashed(entries):
        edge.append(leaf)
        edge = CompactRange.parse(edge.size, edge.serialise())
    assert (edge.size, edge.root()) == (size, defined(entries))


@given(st.data())
def test_inclusion(data):
    size = data.draw(st.integers(1, MAX), "size")
    index = data.draw(st.integers(0, size - 1), "index")
    entries = entries_of(size)
    leaves, root = hashed(entries), defined(entries)
    path = inclusion_path(index, leaves)
    assert path == defined_path(index, entries)
    assert verify_inclusion(index, size, leaves[index], path, root)
    other = data.draw(st.integers(0, size - 1), "other")
    if other != index:
        assert not verify_inclusion(other, size, leaves[index], path, root)
        assert not verify_inclusion(index, size, leaves[other], path, root)
    if path:
        flip = data.draw(st.integers(0, len(path) - 1), "flip")
        bad = [bytes(32) if at == flip else node for at, node in enumerate(path)]
        assert not verify_inclusion(index, size, leaves[index], bad, root)
        assert not verify_inclusion(index, size, leaves[index], path[:-1], root)
    assert not verify_inclusion(index, size, leaves[index], [*path, bytes(32)], root)


@given(st.data())
def test_consistency(data):
    size = data.draw(st.integers(1, MAX), "size")
    old = data.draw(st.integers(1, size), "old")
    entries = entries_of(size)
    leaves = hashed(entries)
    path = consistency_path(old, leaves)
    old_root, root = defined(entries[:old]), defined(entries)
    assert path == defined_subproof(old, entries, True)
    assert verify_consistency(old, size, old_root, root, path)
    rewritten = [b"rewritten", *entries[1:]]
    assert not verify_consistency(old, size, defined(rewritten[:old]), root, path)
    assert not verify_consistency(old, size, old_root, defined(rewritten), path)
    if path:
        assert not verify_consistency(old, size, old_root, root, path[:-1])
    assert not verify_consistency(old, size, old_root, root, [*path, bytes(32)])


def test_every_inclusion_proof_of_small_trees():
    for size in range(1, 20):
        leaves = hashed(entries_of(size))
        root = merkle_root(leaves)
        for index in range(size):
            path = inclusion_path(index, leaves)
            right = [
                at for at in range(size) if verify_inclusion(at, size, leaves[index], path, root)
            ]
            assert right == [index]


@pytest.mark.parametrize("size,peaks", [(1, b""), (2, bytes(64)), (3, bytes(32)), (0, bytes(32))])
def test_a_range_that_does_not_fit_is_refused(size, peaks):
    with pytest.raises(ValueError):
        CompactRange.parse(size, peaks)


@pytest.mark.parametrize("index", [-1, 3])
def test_no_path_to_a_leaf_that_is_not_there(index):
    with pytest.raises(ValueError):
        inclusion_path(index, hashed(entries_of(3)))
