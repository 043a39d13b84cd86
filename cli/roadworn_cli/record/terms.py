"""Where a shop's terms come from: an option, the environment, or a file beside the ledger."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from roadworn.bench.terms_file import Terms


def _print_example(wanted: bool) -> None:
    """Print the example and leave, before anything else is asked for."""
    if wanted:
        from roadworn.bench.terms_file import example_terms

        typer.echo(example_terms(), nl=False)
        raise typer.Exit


TermsOption = Annotated[
    str,
    typer.Option(
        "--terms", metavar="FILE", envvar="ROADWORN_TERMS", help="The shop's terms, a TOML file."
    ),
]
ExampleOption = Annotated[
    bool,
    typer.Option(
        "--terms-example",
        callback=_print_example,
        is_eager=True,
        help="Print a terms file to fill in, and leave.",
    ),
]


def terms_beside(ledger: Path) -> Path:
    """Return where the terms of a ledger stand: ``shop.terms.toml`` beside ``shop.db``."""
    return ledger.with_suffix(".terms.toml")


def find_terms(named: str, ledger: Path) -> "Terms | None":
    """Return the terms to price by, or None when there are none.

    Args:
        named: file that was named, or an empty text.
        ledger: the ledger, whose neighbour is taken when no file was named.

    Raises:
        EnvironmentFailure: the file that was named cannot be read.
        UsageError: the file does not fit.
    """
    from roadworn.bench.terms_file import read_terms

    if named:
        return read_terms(Path(named))
    beside = terms_beside(ledger)
    return read_terms(beside) if beside.is_file() else None
