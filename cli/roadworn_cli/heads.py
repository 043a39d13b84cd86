"""`head` and `witness`: what the ledger is now, signed, and compared with what it was.

`verify` asks here what is known of the ledger from outside of its folder.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from roadworn.model.errors import UsageError
from roadworn.model.messages import Problem
from roadworn_cli.context import state_of, text_of

if TYPE_CHECKING:
    from roadworn.store.heads import Head, Key
    from roadworn.store.keeping import Kept
    from roadworn.store.verify import Outside, VerifyReport


@dataclass(frozen=True, slots=True)
class Heads:
    """What is known of a ledger from outside of its folder.

    Attributes:
        kept: its key and last head, where they are.
        outside: sizes and roots to compare with.
        problems: what is wrong with the heads themselves.
        notes: what cannot be excluded without one.
    """

    kept: "Kept | None"
    outside: tuple["Outside", ...]
    problems: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()


_ELSEWHERE = "keep what `roadworn head` prints where whoever may write the ledger cannot"
_UNSEEN = (
    "No head from outside was compared, so a history sealed anew as a whole, or an older copy with "
    f"its own checkpoint, would not be seen: {_ELSEWHERE}, and give it with --against."
)


def known_heads(
    ledger: Path, against: Sequence[str], key: str, *, signed_here: bool = False
) -> Heads:
    """Return what a ledger is to be compared with.

    Args:
        ledger: the ledger; it need not be there.
        against: files with heads.
        key: a public key, or a file with one, that must have signed them; else the ledger's own.
        signed_here: ask for nothing more than the head that was signed here.
    """
    from roadworn.store.heads import Key
    from roadworn.store.keeping import kept_of, key_file
    from roadworn.store.verify import Outside

    if key and not against:
        raise UsageError("--key says who must have signed a head: give the head with --against.")
    kept = kept_of(ledger)
    trusted = Key.parse(text_of(key) if Path(key).is_file() else key) if key else None
    outside, problems = [], []
    for name in against:
        head = _head_in(text_of(name))
        outside.append(Outside(f"the head in {name}", head.size, head.root))
        problems += _not_signed(head, trusted or (kept.key if kept else None), name)
    last = kept.last() if kept is not None else None
    if kept is not None and last is not None:
        copied = not kept.is_home(ledger)
        told = "the head that was signed last"
        outside.append(Outside(told, last.size, last.root, copied))
    if kept is not None and not key_file(ledger).exists() and not signed_here:
        hint = f"find out who removed it; put it back with the line {kept.key}"
        problems.append(Problem("key-missing", f"{key_file(ledger).name} was removed.", hint))
    if not outside and kept is not None:
        message = f"The ledger has the key of {kept.key.name}, but no head of it is here."
        hint = "give one that was kept elsewhere with --against"
        problems.append(Problem("head-missing", message, hint))
    notes = () if outside or problems else (_UNSEEN,)
    if against and kept is None and trusted is None:
        notes = ("Who signed the heads was not looked at: say whose they must be with --key.",)
    return Heads(kept, tuple(outside), tuple(problems), notes)


def sign_anew(ledger: Path, heads: Heads, report: "VerifyReport") -> None:
    """Sign the head of a ledger that verified, where its key is; a copy elsewhere is not signed."""
    from roadworn.store.merkle import Checkpoint

    kept = heads.kept
    if kept is not None and kept.signs and kept.is_home(ledger):
        kept.sign(Checkpoint(report.size, report.root))


def contacts_changed(ledger: Path, report: "VerifyReport") -> list[Problem]:
    """Return the contacts and plates that another program changed, where their keys are."""
    from roadworn.store import LedgerFile

    if any(problem.code != "altered" for problem in report.problems):
        return []  # a file that is damaged, or lacks its tables
    with LedgerFile.open(ledger, writable=False) as opened:
        return [*opened.contacts.problems(), *opened.plates.problems()]


def head(
    ctx: typer.Context,
    since: Annotated[
        int | None,
        typer.Option(metavar="N", help="Add the proof for a witness that saw N events."),
    ] = None,
    public: Annotated[
        bool, typer.Option("--key", help="Print the public key that its heads are checked with.")
    ] = False,
    make: Annotated[
        bool, typer.Option("--make-key", help="Make a key for a ledger that has none.")
    ] = False,
    name: Annotated[
        str, typer.Option(metavar="TEXT", help="With --make-key: the ledger's name in its heads.")
    ] = "",
    accept: Annotated[
        bool,
        typer.Option(
            "--accept",
            help="Sign though events of the last head are gone: a backup was put back.",
        ),
    ] = False,
) -> None:
    """Print what the ledger is now, signed: keep it elsewhere, for `verify --against`.

    A head is the number of events and the root over them, as a signed note in the open form of
    the C2SP specifications; docs/trust.md has a script that checks one.
    """
    from roadworn.store import LedgerFile
    from roadworn.store.keeping import kept_of, make_key

    path = state_of(ctx).ledger
    with LedgerFile.open(path, writable=False) as ledger:
        checkpoint = ledger.checkpoint()
    if name and not make:
        raise UsageError("The name of a ledger is chosen with its key: add --make-key.")
    kept = make_key(path, name) if make else kept_of(path)
    if kept is None:
        raise UsageError(
            f"{path} has no key to sign with: make one with `roadworn head --make-key`."
        )
    if public:
        typer.echo(str(kept.key))
        return
    last = kept.last()
    if last is not None and last.size and not accept:
        _still_leads_here(path, last, checkpoint.size)
    signed = kept.sign(checkpoint, anew=accept)
    kept.move_home(path)
    if accept or make:
        with LedgerFile.open(path) as opened:
            opened.contacts.seal()
            opened.plates.seal()
    typer.echo(str(signed if since is None else _extension(path, since, signed)), nl=False)


def witness(
    file: Annotated[
        str, typer.Argument(metavar="FILE", help="What `roadworn head` printed; - reads stdin.")
    ],
    key: Annotated[
        str, typer.Option(metavar="KEY", help="The ledger's public key, needed the first time.")
    ] = "",
    name: Annotated[
        str, typer.Option(metavar="TEXT", help="Name of this witness.")
    ] = "roadworn-witness",
    public: Annotated[
        bool, typer.Option("--public", help="Print this witness's own public key; FILE is -.")
    ] = False,
) -> None:
    """Sign another ledger's head, on a second machine, when it extends what was seen here before.

    Printed is the head with the signature added, for `verify --against`.
    """
    from roadworn.store.heads import Extension, Key
    from roadworn.store.keeping import witness as sign
    from roadworn.store.keeping import witness_key

    if public:
        typer.echo(str(witness_key(name)))
        return
    trusted = Key.parse(text_of(key) if Path(key).is_file() else key) if key else None
    typer.echo(str(sign(Extension.parse(text_of(file)), trusted, name)), nl=False)


def _head_in(text: str) -> "Head":
    from roadworn.store.heads import Extension

    return Extension.parse(text).head


def _not_signed(head: "Head", key: "Key | None", name: str) -> list[Problem]:
    if key is None:
        return []
    if head.signed_by(key):
        return []
    message = f"The head in {name} is not signed by {key.name}."
    hint = "ask whoever gave it to you where it is from, or name its signer with --key"
    return [Problem("head-not-signed", message, hint)]


def _still_leads_here(path: Path, last: "Head", size: int) -> None:
    """Refuse to sign over another history than the one signed last."""
    from roadworn.model.errors import LedgerDamaged
    from roadworn.store.proof import consistency_proof

    same = size >= last.size and consistency_proof(path, last.size)["old_root"] == last.root
    if not same:
        raise LedgerDamaged(
            f"{path} does not begin with the {last.size} events of the head that was signed last: "
            "nothing was signed. Run `roadworn verify`, and go on from a backup that verifies; if "
            "one was put back that lacks the newest events, say so with --accept."
        )


def _extension(path: Path, since: int, signed: "Head") -> str:
    from roadworn.store.heads import Extension
    from roadworn.store.proof import consistency_proof

    found = consistency_proof(path, since, signed.size)
    nodes = tuple(bytes.fromhex(node) for node in found["path"])
    return str(Extension(since, nodes, signed))
