"""What the documents say of the code is what the code says of itself."""

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def docs() -> ModuleType:
    spec = importlib.util.spec_from_file_location("docs", Path(__file__).with_name("docs.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_blocks_made_from_code_are_up_to_date(docs: ModuleType) -> None:
    for name in docs.FILES:
        text = (ROOT / name).read_text(encoding="utf-8")
        assert docs.names(text), name
        assert docs.renewed(text) == text, f"{name}: run python tests/project/docs.py"


def test_every_block_stands_in_a_document(docs: ModuleType) -> None:
    found = [
        block
        for name in docs.FILES
        for block in docs.names((ROOT / name).read_text(encoding="utf-8"))
    ]
    assert sorted(found) == sorted(docs.MAKERS)


def test_every_verb_of_the_examples_exists() -> None:
    from roadworn_cli.main import VERBS

    known = {verb.name for verb in VERBS}
    named = set()
    for name in ("README.md", "DEVELOPERS.md"):
        for line in re.findall(r"^\s*roadworn (.+)$", (ROOT / name).read_text(), re.MULTILINE):
            words = re.sub(r"--(ledger|as-of|known-by) \S+ ", "", line + " ").split()
            if words and not words[0].startswith("-"):
                named.add(words[0])
    assert named
    assert named <= known


def test_every_path_that_developers_are_told_of_exists() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    paths = re.findall(r"`((?:ledger|plugins|cli|tests|demo_ledger)/[\w./-]+)`", text)
    assert len(paths) > 10
    assert [path for path in paths if not (ROOT / path).exists()] == []


def test_every_test_that_shows_a_promise_exists() -> None:
    text = "".join((ROOT / "docs" / name).read_text() for name in ("trust.md", "page.md"))
    named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", text)
    assert len(named) > 20
    lacking = [
        (file, test)
        for file, test in named
        if not re.search(rf"^def {test}\(", (ROOT / file).read_text(encoding="utf-8"), re.MULTILINE)
    ]
    assert lacking == []
