"""Sentences are made last: no code parses, cuts or matches one.

What is looked for are the ways in which it was done before: cutting at a colon, asking how a
sentence begins, searching an error's words, replacing words in a message.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = sorted(
    path
    for root in ("ledger", "plugins", "cli", "demo_ledger")
    for path in (ROOT / root).rglob("*.py")
)
#: Names under which sentences travel.
SAID = {"message", "hint", "headline", "caveat", "caveats", "sentence", "remark", "doubt"}
CUTS = {"partition", "rpartition", "split", "rsplit", "removeprefix", "removesuffix"}
ASKS = {"startswith", "endswith", "find", "index", "count", "replace"}
#: A text of this shape is the beginning, middle or end of a sentence of ours, and no syntax.
PROSE = re.compile(r"[A-Za-z]{3,}[ :]|: $|^: |[a-z]{3,} [a-z]{2,}")


def name_of(node: ast.expr) -> str:
    if isinstance(node, ast.Attribute):
        return node.attr
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Call) and name_of(node.func) == "str" and node.args:
        return name_of(node.args[0])
    return ""


def faults(tree: ast.AST) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            texts = [a.value for a in node.args if isinstance(a, ast.Constant)]
            first = texts[0] if texts and isinstance(texts[0], str) else ""
            of = name_of(node.func.value)
            if (node.func.attr in CUTS | ASKS and (of in SAID | {"error"} or first == ": ")) or (
                node.func.attr in {"startswith", "endswith"} and PROSE.search(first)
            ):
                yield node.lineno, ast.unparse(node)
        elif isinstance(node, ast.Compare) and isinstance(node.ops[0], ast.In | ast.NotIn):
            left = node.left
            within = name_of(node.comparators[0])
            if within in SAID and (isinstance(left, ast.Constant | ast.Name)):
                yield node.lineno, ast.unparse(node)


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_sentence_is_cut_or_matched(path: Path) -> None:
    assert list(faults(ast.parse(path.read_text(encoding="utf-8")))) == []


@pytest.mark.parametrize(
    "text",
    [
        'what, _, hint = str(error).partition(": ")',
        'x = text.startswith("SAFETY: ")',
        'if "says no condition" in error.message: pass',
        'told = problem.message.replace("event", "row")',
        'a = doubt.message.split(". ")',
    ],
)
def test_the_reader_sees_each_way_of_doing_it(text: str) -> None:
    assert list(faults(ast.parse(text)))
