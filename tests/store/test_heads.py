"""Signed heads against the published forms: RFC 8032, C2SP signed-note and tlog-cosignature."""

import runpy
from base64 import b64encode
from pathlib import Path

import pytest
from builders import enrolled, ledger_of
from builders import reading as reading_of
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn.intake import Ledger
from roadworn.model.errors import LedgerRefused, UsageError
from roadworn.store import LedgerFile, keeping
from roadworn.store.heads import LOG, WITNESS, Extension, Head, Key, public_of
from roadworn.store.merkle import Checkpoint
from roadworn.store.proof import consistency_proof
from roadworn.store.verify import Outside, verify

SCRIPT = runpy.run_path(str(Path(__file__).parents[2] / "docs" / "check_head.py"))

# The key and note in the documentation of Go's golang.org/x/mod/sumdb/note, whose form the C2SP
# specification signed-note took over; from memory, and shown right by its own signature.
EXAMPLE_KEY = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
EXAMPLE_TEXT = (
    "If you think cryptography is the answer to your problem,\n"
    "then you don't know what your problem is.\n"
)
EXAMPLE = (
    f"{EXAMPLE_TEXT}\n— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFY"
    "C2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n"
)

# RFC 8032, section 7.1, tests 1 to 3: public key, message, signature; from memory, and each shown
# right by `cryptography` below.
RFC_8032 = [
    (
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        (
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701c"
            "f9b46bd25bf5f0595bbe24655141438e7a100b"
        ),
    ),
    (
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0"
            "f11d8c387b2eaeb4302aeeb00d291612bb0c00"
        ),
    ),
    (
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        (
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f76098"
            "4dc6594a7c15e9716ed28dc027beceea1ec40a"
        ),
    ),
]


def reading(number, odometer=1_000):
    """The first event enrols, the others read an odometer that grows."""
    if number == 1:
        return enrolled("van-3", "2024-01-01")
    return reading_of("van-3", f"2024-01-{number:02}", odometer + number)


@pytest.fixture(autouse=True)
def keys(tmp_path, monkeypatch):
    monkeypatch.setenv(keeping.KEYS, str(tmp_path / "keys"))
    return tmp_path / "keys"


def test_the_published_example_of_a_signed_note():
    key = Key.parse(EXAMPLE_KEY)
    assert (key.name, key.kind, key.identifier.hex()) == ("PeterNeumann", LOG, "c74f20a3")
    assert str(key) == EXAMPLE_KEY
    assert SCRIPT["holds"](EXAMPLE, EXAMPLE_KEY)
    assert not SCRIPT["holds"](EXAMPLE.replace("answer", "question"), EXAMPLE_KEY)
    with pytest.raises(UsageError, match="no head"):  # two lines of prose name no size and root
        Head.parse(EXAMPLE)


@pytest.mark.parametrize(("public", "message", "signature"), RFC_8032)
def test_the_page_of_a_script_checks_the_signatures_of_rfc_8032(public, message, signature):
    public, message, signature = map(bytes.fromhex, (public, message, signature))
    assert SCRIPT["signed"](public, signature, message)
    assert not SCRIPT["signed"](public, signature, message + b"!")
    assert not SCRIPT["signed"](public, signature[:32] + bytes(32), message)


# The page of a script takes a tenth of a second for one signature.
@settings(max_examples=20)
@given(st.integers(0, 2**62), st.binary(min_size=32, max_size=32), st.integers(0, 2**40))
def test_what_is_signed_is_read_back_and_holds_for_both_readers(size, root, when):
    private = Ed25519PrivateKey.from_private_bytes(root)
    head = Head.of("garage.example/1", Checkpoint(size, root.hex())).signed(
        "garage.example/1", private
    )
    seen = head.witnessed("stick", private, when)
    read = Head.parse(str(seen))
    assert (read.size, read.root, read.signatures) == (size, root.hex(), seen.signatures)
    for kind, name in ((LOG, "garage.example/1"), (WITNESS, "stick")):
        key = public_of(name, kind, private)
        assert read.signed_by(key)
        assert SCRIPT["holds"](str(seen), str(key))
        assert Key.parse(str(key)) == key


@given(st.data())
def test_no_changed_letter_of_a_head_goes_unseen(data):
    private = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
    note = str(Head.of("g", Checkpoint(7, "ab" * 32)).signed("g", private))
    at = data.draw(st.integers(0, note.index("\n\n")))
    changed = note[:at] + data.draw(st.characters(codec="ascii")) + note[at + 1 :]
    try:
        head = Head.parse(changed)
    except UsageError:
        return
    same = changed.replace("\r\n", "\n") == note
    assert head.signed_by(public_of("g", LOG, private)) == same


@pytest.mark.parametrize(
    "text",
    [
        "",
        "garage\n1\n",
        "garage\n01\n" + b64encode(bytes(32)).decode() + "\n\n— garage AAAAAAAA\n",
        "garage\n1\nAAAA\n\n— garage AAAAAAAA\n",
        "old 1\nAAAA\n\ngarage\n1\nAAAA\n\n— garage AAAAAAAA\n",
        "— garage AAAAAAAA\n" * 200,
    ],
)
def test_what_is_no_head_is_refused_in_a_sentence(text):
    with pytest.raises(UsageError, match=r"no head|is none"):
        Extension.parse(text)


def test_a_key_that_was_not_copied_whole_is_refused():
    for text in (EXAMPLE_KEY[:-4], EXAMPLE_KEY.replace("c74f20a3", "c74f20a4"), "a b+00+AA==", ""):
        with pytest.raises(UsageError, match=r"no key|copied whole"):
            Key.parse(text)


def extension(path, since):
    """What the owner of a ledger hands to a witness that saw `since` events."""
    kept = keeping.kept_of(path)
    with LedgerFile.open(path, writable=False) as ledger:
        head = kept.sign(ledger.checkpoint(), anew=True)
    nodes = consistency_proof(path, since, head.size)["path"]
    return Extension(since, tuple(map(bytes.fromhex, nodes)), head)


def test_a_witness_signs_what_extends_what_it_saw_and_nothing_else(tmp_path):
    path = ledger_of(tmp_path / "a.db", [reading(n) for n in range(1, 6)])
    key = keeping.make_key(path, "garage.example/1").key
    whole = extension(path, 0)
    with pytest.raises(UsageError, match="--key"):
        keeping.witness(whole, None, "stick")
    signed = keeping.witness(whole, key, "stick")
    assert signed.signed_by(keeping.witness_key("stick"))
    assert signed.signed_by(key)
    # The same again is signed again, without the key; more events need the proof.
    assert keeping.witness(whole, None, "stick").size == 5
    more = ledger_of(tmp_path / "b.db", [reading(n) for n in range(1, 9)])
    keeping.key_file(more).write_text(str(key))
    with pytest.raises(UsageError, match="--since 5"):
        keeping.witness(extension(more, 3), None, "stick")
    with pytest.raises(LedgerRefused, match="rewritten"):  # ids differ: it is another history
        keeping.witness(extension(more, 5), None, "stick")
    shorter = ledger_of(tmp_path / "c.db", [reading(1)])
    keeping.key_file(shorter).write_text(str(key))
    with pytest.raises(LedgerRefused, match="put back"):
        keeping.witness(extension(shorter, 0), None, "stick")
    # What grew from what was seen is signed.
    with Ledger.open(path) as grown:
        grown.append(reading(9))
    assert keeping.witness(extension(path, 5), None, "stick").size == 6


def test_a_history_sealed_anew_with_its_checkpoints_is_found_from_outside(tmp_path):
    path = ledger_of(tmp_path / "a.db", [reading(n) for n in range(1, 6)])
    with LedgerFile.open(path, writable=False) as ledger:
        then = ledger.checkpoint()
    assert not verify(path, outside=[Outside("the head", then.size, then.root)]).problems
    other = ledger_of(tmp_path / "b.db", [reading(n, 90_000) for n in range(1, 7)])
    assert not verify(other).problems
    found = verify(other, outside=[Outside("the head", then.size, then.root)]).problems
    assert [(problem.code, problem.row) for problem in found] == [("resealed", 5)]
    shorter = ledger_of(tmp_path / "c.db", [reading(1)])
    found = verify(shorter, outside=[Outside("the head", then.size, then.root)]).problems
    assert [(problem.code, problem.row) for problem in found] == [("older-copy", 2)]


def test_a_key_is_its_owner_s_alone_and_not_beside_the_ledger(tmp_path, keys):
    path = ledger_of(tmp_path / "a.db", [])
    kept = keeping.make_key(path)
    files = [file for file in keys.rglob("*") if file.is_file()]
    assert {file.name for file in files} == {"key.pem", "head", "ledger"}
    assert all(file.stat().st_mode & 0o077 == 0 for file in files)
    assert "PRIVATE" not in keeping.key_file(path).read_text()
    with pytest.raises(LedgerRefused, match="already"):
        keeping.make_key(path)
    keeping.key_file(path).unlink()
    assert keeping.kept_of(path) == kept  # the folder of keys remembers what was promised
