"""Check a Roadworn head, and an event's proof, with nothing but Python's standard library.

    python check_head.py HEAD KEY            # the head is signed by that key
    python check_head.py HEAD KEY PROOF      # and the event in PROOF was in that ledger

HEAD is what `roadworn head` printed, KEY the line of `roadworn head --key` from somebody you trust,
PROOF what `roadworn proof EVENT --size N` printed, N being the size in the head. The forms are the
C2SP's signed-note, tlog-checkpoint and tlog-cosignature; signatures RFC 8032, trees RFC 6962.
"""

import base64
import hashlib
import json
import sys
from pathlib import Path

P = 2**255 - 19
ORDER = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, -1, P) % P
ROOT_OF_MINUS_1 = pow(2, (P - 1) // 4, P)


def x_of(y, odd):
    square = (y * y - 1) * pow(D * y * y + 1, -1, P) % P
    x = pow(square, (P + 3) // 8, P)
    if (x * x - square) % P:
        x = x * ROOT_OF_MINUS_1 % P
    if y >= P or (x * x - square) % P or (x == 0 and odd):
        raise ValueError("no point of the curve")
    return P - x if x % 2 != odd else x


def point(raw):
    number = int.from_bytes(raw, "little")
    y = number % 2**255
    return x_of(y, number >> 255), y


def add(a, b):
    k = D * a[0] * b[0] * a[1] * b[1] % P
    x = (a[0] * b[1] + b[0] * a[1]) * pow(1 + k, -1, P)
    return x % P, (a[1] * b[1] + a[0] * b[0]) * pow(1 - k, -1, P) % P


def times(n, a):
    result = (0, 1)
    while n:
        if n & 1:
            result = add(result, a)
        a, n = add(a, a), n >> 1
    return result


BASE = (x_of(4 * pow(5, -1, P) % P, 0), 4 * pow(5, -1, P) % P)


def signed(public, signature, message):
    s = int.from_bytes(signature[32:], "little")
    if len(signature) != 64 or s >= ORDER:
        return False
    h = int.from_bytes(hashlib.sha512(signature[:32] + public + message).digest(), "little")
    return times(s, BASE) == add(point(signature[:32]), times(h % ORDER, point(public)))


def holds(note, key):
    """Whether one of the signatures under the note is the key's."""
    text, _, below = note.rpartition("\n\n\u2014 ")
    name, identifier, told = key.strip().split("+", 2)
    kind = base64.b64decode(told)
    if hashlib.sha256(name.encode() + b"\n" + kind).digest()[:4].hex() != identifier:
        raise ValueError("the key was not copied whole")
    for line in below.splitlines():
        signer, _, content = line.removeprefix("\u2014 ").partition(" ")
        content, message = base64.b64decode(content), f"{text}\n".encode()
        if signer != name or content[:4].hex() != identifier:
            continue
        if kind[0] == 4:  # a witness signs the time it saw the head, too
            when = int.from_bytes(content[4:12], "big")
            message = f"cosignature/v1\ntime {when}\n".encode() + message
        if signed(kind[1:], content[12:] if kind[0] == 4 else content[4:], message):
            return True
    return False


def included(proof, size, root):
    """Whether the event of the proof was in the ledger of that size and root (RFC 6962)."""
    event = proof["event"]
    names = "event_id vehicle_id kind version occurred_at recorded_at recorded_by source"
    names += " odometer odometer_unit intake_key payload"
    content = [event[name] for name in names.split()]
    text = json.dumps(content, ensure_ascii=False, separators=(",", ":"))
    node = hashlib.sha256(b"\0" + text.encode()).digest()
    index, last = proof["index"], size - 1
    for step in map(bytes.fromhex, proof["path"]):
        if index % 2 or index == last:
            node = hashlib.sha256(b"\1" + step + node).digest()
            while index and not index % 2:
                index, last = index // 2, last // 2
        else:
            node = hashlib.sha256(b"\1" + node + step).digest()
        index, last = index // 2, last // 2
    return last == 0 and node == root


if __name__ == "__main__":
    head, key, *proofs = (Path(name).read_text(encoding="utf-8") for name in sys.argv[1:4])
    note = head[head.startswith("old ") and head.index("\n\n") + 2 :]
    origin, size, root = note.split("\n")[:3]
    if not holds(note, key):
        sys.exit("NOT signed by that key, or changed since")
    print(f"signed: {origin} had {size} events")
    for proof in map(json.loads, proofs):
        if not included(proof, int(size), base64.b64decode(root)):
            sys.exit("the event of the proof was NOT in that ledger")
        print(f"in it: event {proof['event']['event_id']}, {proof['event']['occurred_at']}")
