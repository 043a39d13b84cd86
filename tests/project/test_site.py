"""The documents build as a site: no link to nowhere, no page that none leads to, no warning."""

import os
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def build(docs: Path, out: Path) -> subprocess.CompletedProcess[str]:
    words = ("-W", "--keep-going", "-q", "-b", "html", "-c", str(ROOT / "docs" / "site"))
    return subprocess.run(
        [sys.executable, "-m", "sphinx", *words, str(docs), str(out)],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONWARNINGS": ""},
    )


def test_the_site_is_built_without_a_warning(tmp_path: Path) -> None:
    done = build(ROOT / "docs", tmp_path / "site")
    assert done.returncode == 0, done.stderr
    pages = {str(one.relative_to(tmp_path / "site")) for one in (tmp_path / "site").rglob("*.html")}
    told = {str(one.relative_to(ROOT / "docs")) for one in (ROOT / "docs").rglob("*.md")}
    assert {f"{one.removesuffix('.md')}.html" for one in told} <= pages
    first = (tmp_path / "site" / "index.html").read_text(encoding="utf-8")
    assert 'href="plugins/index.html"' in first
    # Nothing is loaded from elsewhere: the site can be read from a folder, without a network.
    loads = re.findall(r'(?:src|href)="(https?:[^"]+\.(?:js|css|woff2?))"', first)
    assert loads == []


def test_a_link_to_nowhere_and_a_page_that_none_leads_to_are_found(tmp_path: Path) -> None:
    (tmp_path / "docs").mkdir()
    (tmp_path / "docs" / "index.md").write_text("# A\n\n- [B](b.md)\n- see [C](b.md#not-there)\n")
    (tmp_path / "docs" / "b.md").write_text("# B\n\n[D](d.md)\n")
    (tmp_path / "docs" / "lone.md").write_text("# Lone\n")
    done = build(tmp_path / "docs", tmp_path / "site")
    assert done.returncode != 0
    for words in ("'d.md'", "not-there", "lone.md"):
        assert words in done.stderr
