"""Whatever somebody pasted is shown on a report, never run, and sends nothing anywhere."""

import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Self

import pytest
from builders import ledger_of
from commandline import ReportOf, Run
from report.ledgers import years_of_trouble
from report.markup import Page

KINDS = [("vehicle", "car-1"), ("vehicle", "car-2"), ("fleet",)]


def report(run: Run, ledger: Path, *words: str) -> str:
    out = ledger.parent / "report.html"
    done = run("--ledger", str(ledger), "report", *words, "-o", str(out), "--overwrite")
    assert done.code == 0, done.err
    return out.read_text(encoding="utf-8")


@pytest.mark.parametrize("words", KINDS, ids=" ".join)
@pytest.mark.parametrize("full", [(), ("--full",)], ids=["short", "full"])
def test_no_text_becomes_an_element(
    report_of: ReportOf, words: tuple[str, ...], full: tuple[str, ...]
) -> None:
    page = Page.of(report_of("hostile.db", "report", *words, *full, "-o", "-"))
    assert page.unbalanced == []
    names = {tag for tag, _attrs in page.elements}
    assert names.isdisjoint({"script", "img", "iframe", "object", "embed", "link", "base"})
    assert all(str(one["href"]).startswith("#") for one in page.tags("a"))
    handlers = [key for _tag, attrs in page.elements for key in attrs if key.startswith("on")]
    assert handlers == []


def test_the_text_is_shown_as_it_was_written(report_of: ReportOf) -> None:
    text = Page.of(report_of("hostile.db", "report", "vehicle", "car-1", "--full", "-o", "-")).text
    assert "<script>document.title='RAN'</script>" in text
    assert "onerror=\"document.title='RAN'\"" in text
    # Right-to-left letters stay, a mark that would turn the line around is written out.
    assert "שלום" in text
    assert "\\u202e" in text
    assert "\u202e" not in text


def test_braces_and_dollars_are_no_language_of_ours(report_of: ReportOf) -> None:
    text = Page.of(report_of("hostile.db", "report", "vehicle", "car-2", "--full", "-o", "-")).text
    assert "{{7*7}}" in text
    assert "$x_2$" in text
    assert "49 Donau" not in text


def test_a_note_of_a_million_letters_does_not_fill_the_page(run: Run, tmp_path: Path) -> None:
    ledger = ledger_of(tmp_path / "long.db", years_of_trouble("car-1", "x" * 200_000))
    assert len(report(run, ledger, "vehicle", "car-1", "--full")) < 1_000_000


class _Listener:
    """A server that only counts who asks it for anything."""

    def __enter__(self) -> Self:
        asked = self.asked = []

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                asked.append(self.path)
                self.send_error(404)

            def log_message(self, *_args: object) -> None:
                """Keep quiet."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self.server.server_address[1]}"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        return self

    def __exit__(self, *_args: object) -> None:
        self.server.shutdown()
        self.server.server_close()


def _attack(address: str) -> str:
    return (
        f"<script>document.title='RAN';fetch('{address}/f')</script>"
        f"<img src={address}/i onerror=\"document.title='RAN'\">"
    )


def test_a_browser_runs_nothing_and_asks_for_nothing(run, tmp_path, document_of) -> None:
    with _Listener() as listener:
        ledger = ledger_of(
            tmp_path / "attack.db", years_of_trouble("car-1", _attack(listener.address))
        )
        for words in (("vehicle", "car-1", "--full"), ("fleet",)):
            report(run, ledger, *words)
            document = document_of(ledger.parent / "report.html")
            assert "<title>RAN" not in document
            assert "document.title=" in document  # it is on the page, as text
        assert listener.asked == []


def test_the_policy_stops_what_escaping_would_miss(report_of, tmp_path, document_of) -> None:
    """Markup is put into a finished page by hand: the page's own policy must hold it back.

    Without the policy the same markup runs and asks, so the test above can fail.
    """
    text = report_of("plain.db", "report", "vehicle", "car-1", "-o", "-")
    with _Listener() as listener:
        bad = text.replace("</main>", f"{_attack(listener.address)}</main>")
        guarded, open_ = tmp_path / "guarded.html", tmp_path / "open.html"
        guarded.write_text(bad, encoding="utf-8")
        open_.write_text(bad.replace("Content-Security-Policy", "X-None"), encoding="utf-8")
        assert "<title>RAN" not in document_of(guarded)
        assert listener.asked == []
        assert "<title>RAN" in document_of(open_)
        assert "/i" in listener.asked
