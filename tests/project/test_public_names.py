"""What a plugin author imports: each name is there, is listed, and costs nothing before use."""

import subprocess
import sys

import pytest

import roadworn


@pytest.mark.parametrize("name", roadworn.__all__)
def test_a_public_name_resolves_and_is_listed(name: str) -> None:
    assert getattr(roadworn, name).__module__.startswith(("roadworn.", "pluggy."))
    assert name in dir(roadworn)


def test_the_names_are_those_that_were_promised() -> None:
    promised = (
        "Analysis Answers Chart Column Deferred Estimate EventKind Holds Ledger LedgerView Mark "
        "NewEvent PackagedFile Payload PluginHost Problem Result Says Sentence Series Settings "
        "StoredEvent Table TableSpec Tells hookimpl open_view"
    )
    assert roadworn.__all__ == promised.split()


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'analyses'"):
        roadworn.analyses  # noqa: B018


def test_importing_it_loads_nothing_heavy() -> None:
    heavy = ("pydantic", "duckdb", "numpy", "pluggy", "ast")
    code = f"import sys, roadworn; print([name for name in {heavy} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
