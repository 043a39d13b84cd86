"""Hostile text in every field, through every screen and every table, looked at by a browser.

A screen is text and a table is CSV; what a browser, a terminal and a spreadsheet must not find in
them is looked for in each. The same markup in a page that is open runs, so that the look can fail.
"""

import csv
import io
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest
from builders import ledger_of
from commandline import Run
from report.ledgers import AS_OF, years_of_trouble

from roadworn.intake import Ledger

SCRIPT = "<script>document.title='RAN'</script>"
MARKUP = f"{SCRIPT}<img src=x onerror=\"document.title='RAN'\">"
#: Colours, a title for the terminal's window, what turns a line around, and a formula.
SIGNS = "\x1b[31mred \x1b]0;title\x07 \x9b2J \u202etxt.exe\u2066 =cmd()"
TEXTS = {
    "markup": MARKUP,
    "signs": SIGNS,
    "formula": "=HYPERLINK(1)",
    "at": "@SUM(1)",
    "tab": "\t=1+BAD",
}
SCREENS = (
    ("vehicles",), ("history", "car-1"), ("history", "car-1", "--evidence"), ("outlook", "car-1"),
    ("today",), ("today", "--call"), ("find", "car-1"), ("analyse", "due-now"),
    ("analyse", "comebacks"), ("analyse", "suppliers"), ("events",), ("contact",),
)  # fmt: skip
QUERIES = (
    "SELECT * FROM raw.events", "SELECT * FROM findings", "SELECT * FROM replacements",
    "SELECT * FROM complaints", "SELECT * FROM vehicles",
)  # fmt: skip


@pytest.fixture(scope="module", params=sorted(TEXTS))
def hostile(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    return ledger_of(folder / "shop.db", years_of_trouble("car-1", TEXTS[request.param] * 2))


def text_of(ledger: Path) -> str:
    """Return what was written down."""
    with Ledger.open(ledger, writable=False) as opened:
        return " ".join(str(one.data().get("note")) for one in opened.events())


def raw_signs(text: str) -> set[str]:
    """Return what of a text a terminal would take for an order, or would turn the line around."""
    return {
        sign
        for sign in text
        if (unicodedata.category(sign) in ("Cc", "Cf") and sign not in "\n\r\t")
    }


def is_formula(cell: str) -> bool:
    """Return whether a spreadsheet would reckon with a cell (OWASP, "CSV Injection")."""
    return cell.startswith(("=", "+", "-", "@", "\t", "\r")) and not _is_number(cell)


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def test_no_screen_and_no_table_gives_an_order(
    hostile: Path, run: Run, tmp_path: Path, document_of: Callable[[Path], str]
) -> None:
    base = ("--ledger", str(hostile), "--as-of", AS_OF)
    met = 0
    outputs: dict[str, str] = {}
    for words in SCREENS:
        for form in ((), ("--format", "csv")):
            done = run(*base, *words, *form)
            if done.code in (0, 1):
                outputs[" ".join((*words, *form)) + (".csv" if form else ".txt")] = done.out
                assert raw_signs(done.out + done.err) == set(), words
    for query in QUERIES:
        done = run(*base, "sql", query, "--format", "csv")
        if done.code == 0:
            outputs[f"{query}.csv"] = done.out
            assert raw_signs(done.out) == set(), query
    for name, text in outputs.items():
        met += any(sign in text for sign in ("RAN", "x1b", "HYPERLINK", "SUM", "BAD"))
        if name.endswith(".csv"):
            for row in csv.reader(io.StringIO(text, newline="")):
                assert not any(map(is_formula, row)), name
    assert len(outputs) > len(SCREENS)
    assert met, "none of the texts came out anywhere"
    whole = [(name, text) for name, text in outputs.items() if SCRIPT in text]
    assert bool(whole) == (SCRIPT in text_of(hostile))
    for number, (name, text) in enumerate(whole[:3]):
        screen, page = tmp_path / f"{number}.txt", tmp_path / f"{number}.html"
        screen.write_text(text, encoding="utf-8")
        assert "<title>RAN" not in document_of(screen), name
        # The control: the same text as a page runs.
        page.write_text(f"<title>as it was</title>{text}", encoding="utf-8")
        assert "<title>RAN" in document_of(page), name
