"""Ledgers to make reports of, and a browser to look at them with."""

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from builders import ledger_of
from report.ledgers import HOSTILE, LONG, SIGNS, years_of_trouble

from roadworn.testing import event


@pytest.fixture
def hostile(tmp_path: Path) -> Path:
    """A ledger in which every text is hostile."""
    events = years_of_trouble("car-1", HOSTILE) + years_of_trouble("car-2", f"{LONG} {SIGNS}")
    return ledger_of(tmp_path / "hostile.db", events)


@pytest.fixture
def plain(tmp_path: Path) -> Path:
    """A ledger with two vehicles and a few years."""
    events = years_of_trouble("car-1", "as found") + years_of_trouble("car-2", "as found")
    return ledger_of(tmp_path / "plain.db", events)


@pytest.fixture
def single(tmp_path: Path) -> Path:
    """A ledger with one vehicle and one event."""
    return ledger_of(tmp_path / "single.db", [event("car-1", "enrolment", "2026-01-02")])


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
