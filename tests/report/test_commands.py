"""`roadworn report`: where a report goes, what it never overwrites, what it says when it cannot."""

import sqlite3
from pathlib import Path

import pytest
from commandline import ReportOf, Run
from report.markup import Page

from roadworn.analysis.host import PluginHost


@pytest.fixture
def report(run: Run, plain: Path) -> Run:
    return lambda *words: run("--ledger", str(plain), *words)


def test_a_report_is_written_and_renewed_only_when_asked_to(report: Run, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    done = report("report", "vehicle", "CAR-1", "-o", str(out))
    assert done.code == 0
    assert done.out == ""
    assert str(out) in done.err
    first = out.read_text(encoding="utf-8")
    again = report("report", "fleet", "-o", str(out))
    assert again.code == 2
    assert "--overwrite" in again.err
    assert out.read_text(encoding="utf-8") == first
    renewed = report("report", "fleet", "-o", str(out), "--overwrite")
    assert renewed.code == 0, renewed.err
    assert "Fleet report" in out.read_text(encoding="utf-8")
    assert list(tmp_path.glob(".*part")) == []


def test_nothing_but_a_report_is_overwritten(report: Run, plain: Path, tmp_path: Path) -> None:
    letter = tmp_path / "letter.html"
    letter.write_text("<p>Dear customer</p>")
    before = plain.read_bytes()
    for target in (letter, plain):
        done = report("report", "fleet", "-o", str(target), "--overwrite")
        assert done.code == 2
        assert "nothing was written" in done.err
    assert letter.read_text() == "<p>Dear customer</p>"
    assert plain.read_bytes() == before
    with sqlite3.connect(plain) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("report", "fleet"), 2, "--output report.html"),
        (("report", "fleet", "-o", "no/such/report.html"), 4, "make it first"),
        (("report", "fleet", "-o", "."), 2, "is a folder"),
        (("report", "fleet", "-o", "-", "--language", "xx"), 2, "en, es"),
        (("report", "fleet", "-o", "-", "--paper", "a3"), 2, "a4, letter"),
        (("report", "fleet", "-o", "-", "--dates", "now"), 2, "ymd, dmy, mdy"),
        (("report", "fleet", "-o", "-", "--unit", "league"), 2, "mi, km"),
        (("report", "vehicle", "car-3", "-o", "-"), 2, "car-1"),
        (("report", "vehicle", "car-1", "-o", "-", "--set", "value=1"), 2, "ANALYSIS.SETTING"),
        (("report", "vehicle", "car-1", "-o", "-", "--contact"), 2, "OWNER-1"),
        (("analyse", "part-lifespans", "--format", "pdf"), 2, "html"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(
    report: Run, words: tuple[str, ...], code: int, said: str
) -> None:
    done = report(*words)
    assert done.code == code
    assert said in done.err
    assert done.out == ""


def test_who_owns_it_is_named_only_when_asked_for(report: Run) -> None:
    kept = report("contact", "OWNER-1", "--name", "Someone New", "--phone", "5550100")
    assert kept.code == 0, kept.err
    without = report("report", "vehicle", "car-1", "--full", "-o", "-").out
    assert "Someone New" not in without
    assert "5550100" not in without
    named = Page.of(report("report", "vehicle", "car-1", "--contact", "-o", "-").out).text
    assert "Someone New" in named
    assert "5550100" in named


def test_unit_language_dates_and_paper_are_settings(report: Run, monkeypatch) -> None:
    text = report(
        "report", "vehicle", "car-1", "-o", "-",
        "--unit", "km", "--language", "es", "--dates", "dmy", "--paper", "letter",
    ).out  # fmt: skip
    assert '<html lang="es">' in text
    assert "size: Letter" in text
    told = Page.of(text).text
    assert "136 794 km el 7 jun 2025" in told  # 85,000 mi
    assert " mi)" not in told
    monkeypatch.setenv("ROADWORN_LANGUAGE", "es")
    assert '<html lang="es">' in report("report", "fleet", "-o", "-").out


def test_an_answer_of_any_analysis_is_a_page(report: Run) -> None:
    done = report("analyse", "part-lifespans", "--format", "html")
    assert done.code == 0, done.err
    page = Page.of(done.out)
    assert page.unbalanced == []
    assert "How long do these parts last" in page.text
    assert page.tags("script") == []


def test_settings_reach_the_analysis(report: Run, report_of: ReportOf) -> None:
    words = ("report", "vehicle", "car-1", "--full", "-o", "-")
    assert "replacement_price" not in Page.of(report_of("plain.db", *words)).text.split("Asked:")[2]
    text = Page.of(report(*words, "--set", "keep-or-sell.replacement-price=9000").out).text
    assert "replacement_price=9000" in text


def test_a_missing_or_broken_analysis_is_left_out_with_a_word(
    report: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, known = PluginHost.run, PluginHost.offered

    def run(self, name, *given, **more):
        if name == "inspection-outlook":
            from roadworn.model.errors import PluginFailure

            raise PluginFailure("The analysis 'inspection-outlook' failed with <b>KeyError</b>.")
        return whole(self, name, *given, **more)

    def offered(self):
        return {name: one for name, one in known(self).items() if name != "maintenance-due"}

    monkeypatch.setattr(PluginHost, "run", run)
    monkeypatch.setattr(PluginHost, "offered", offered)
    done = report("report", "vehicle", "car-1", "-o", "-")
    assert done.code == 0, done.err
    text = Page.of(done.out).text
    assert "Left out of this report" in text
    assert "maintenance-due: no plugin brings this analysis." in text
    assert "failed with <b>KeyError</b>" in text
    assert "Would it pass its inspection?" not in text
