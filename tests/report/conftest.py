"""Ledgers to make reports of, and a browser to look at them with."""

import os
import re
import shutil
import subprocess
from collections.abc import Callable
from contextlib import redirect_stdout
from io import BytesIO, TextIOWrapper
from pathlib import Path

import pytest
from builders import ledger_of
from commandline import Once, ReportOf, hide_settings
from report.ledgers import AS_OF, HOSTILE, LONG, SIGNS, years_of_trouble

from roadworn.testing import event
from roadworn_cli.main import main


@pytest.fixture(scope="session")
def ledgers(once: Once) -> Path:
    """A folder with three ledgers: `hostile.db`, `plain.db` and `single.db`, to be read only."""

    def fill(folder: Path) -> None:
        hostile = years_of_trouble("car-1", HOSTILE) + years_of_trouble("car-2", f"{LONG} {SIGNS}")
        plain = years_of_trouble("car-1", "as found") + years_of_trouble("car-2", "as found")
        ledger_of(folder / "hostile.db", hostile)
        ledger_of(folder / "plain.db", plain)
        ledger_of(folder / "single.db", [event("car-1", "enrolment", "2026-01-02")])

    return once("ledgers", fill)


@pytest.fixture
def plain(ledgers: Path, tmp_path: Path) -> Path:
    """A ledger of one's own with two vehicles and a few years."""
    return shutil.copy(ledgers / "plain.db", tmp_path / "plain.db")


@pytest.fixture
def single(ledgers: Path, tmp_path: Path) -> Path:
    """A ledger of one's own with one vehicle and one event."""
    return shutil.copy(ledgers / "single.db", tmp_path / "single.db")


@pytest.fixture(scope="session")
def report_of(once: Once, ledgers: Path) -> ReportOf:
    """The page of a command on one of the ledgers as of `AS_OF`; each is made once in a run."""

    def report(ledger: str, *words: str) -> str:
        def fill(folder: Path) -> None:
            out = TextIOWrapper(BytesIO(), "utf-8")
            with pytest.MonkeyPatch.context() as environment, redirect_stdout(out):
                hide_settings(environment)
                assert main(["--ledger", str(ledgers / ledger), "--as-of", AS_OF, *words]) == 0
            out.flush()
            (folder / "page.html").write_bytes(out.buffer.getvalue())

        name = re.sub(r"[^a-z0-9]+", "_", " ".join((ledger, *words)))
        return (once(name, fill) / "page.html").read_text(encoding="utf-8")

    return report


_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage", "--virtual-time-budget=20000",
)  # fmt: skip


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., str]:
    """Run Chromium with some flags, each time with a profile of its own."""
    program = os.environ.get("ROADWORN_CHROMIUM") or shutil.which("chromium")
    if program is None:
        pytest.skip("no Chromium on this machine: apt-get install chromium")

    def go(*flags: str) -> str:
        profile = tmp_path_factory.mktemp("profile")
        done = subprocess.run(
            [program, *_FLAGS, f"--user-data-dir={profile}", *flags],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode == 0, done.stderr[-500:]
        return done.stdout

    return go


@pytest.fixture(scope="session")
def document_of(chromium: Callable[..., str]) -> Callable[..., str]:
    """Open a page in Chromium and return the document as it stands afterwards."""

    def look(page: Path, *flags: str) -> str:
        return chromium(*flags, "--dump-dom", page.as_uri())

    return look


@pytest.fixture(scope="session")
def printed(chromium: Callable[..., str]) -> Callable[[Path], bytes]:
    """Print a page in Chromium and return the PDF."""

    def to_pdf(page: Path) -> bytes:
        pdf = page.with_suffix(".pdf")
        chromium("--no-pdf-header-footer", f"--print-to-pdf={pdf}", page.as_uri())
        return pdf.read_bytes()

    return to_pdf
