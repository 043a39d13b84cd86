"""An automated audit of whole reports: axe-core, an open library of checks for WCAG.

It needs Chromium and axe-core (npm install axe-core; ROADWORN_AXE names its axe.min.js); where
one is missing the audit is skipped and says so. What needs neither is checked in test_page.
"""

import json
import os
import re
from collections.abc import Callable
from html import unescape
from pathlib import Path

import pytest
from commandline import ReportOf

_AUDIT = """
<pre id="audit">none</pre>
<script>{axe}</script>
<script>
document.querySelectorAll('details').forEach(one => {{ one.open = true; }});
axe.run(document, {{resultTypes: ['violations']}}).then(found => {{
  document.getElementById('audit').textContent = JSON.stringify(
    found.violations.map(v => [v.id, v.help, v.nodes.slice(0, 3).map(n => n.html)]));
}});
</script>
"""


@pytest.fixture(scope="module")
def axe() -> str:
    path = os.environ.get("ROADWORN_AXE")
    if not path:
        pytest.skip("no audit: npm install axe-core, and name its axe.min.js in ROADWORN_AXE")
    return Path(path).read_text(encoding="utf-8").replace("</script", "<\\/script")


@pytest.fixture
def audit(
    axe: str, document_of: Callable[..., str], tmp_path: Path
) -> Callable[[str, int], list[list[object]]]:
    """Return what the audit objects to on a page at a width."""

    def look(text: str, width: int) -> list[list[object]]:
        # The page forbids scripts; the audit is one, so it is given a copy without the policy.
        text = re.sub(r"<meta http-equiv=[^>]*>", "", text)
        page = tmp_path / "audited.html"
        page.write_text(text.replace("</main>", f"</main>{_AUDIT.format(axe=axe)}"), "utf-8")
        document = document_of(page, f"--window-size={width},900")
        told = re.search(r'<pre id="audit">(.*?)</pre>', document, re.DOTALL)
        assert told is not None
        found: list[list[object]] = json.loads(unescape(told[1]))
        # The audit's own <pre> stands outside the landmarks of the page.
        return [one for one in found if not (one[0] == "region" and "audit" in str(one[2]))]

    return look


def test_the_audit_objects_to_what_is_wrong(audit) -> None:
    bad = "<html><head><title>x</title></head><body><main><img src='data:,'></main></body></html>"
    assert {one[0] for one in audit(bad, 800)} >= {"image-alt", "html-has-lang"}


_REPORTS = {
    "owner": ("report", "vehicle", "car-1", "-o", "-"),
    "owner in Spanish": ("report", "vehicle", "car-1", "--language", "es", "-o", "-"),
    "full": ("report", "vehicle", "car-1", "--full", "-o", "-"),
    "full in Spanish": ("report", "vehicle", "car-1", "--full", "--language", "es", "-o", "-"),
    "fleet": ("report", "fleet", "-o", "-"),
    "fleet in Spanish": ("report", "fleet", "--language", "es", "-o", "-"),
    "one analysis": ("analyse", "part-lifespans", "--format", "html"),
    "one in Spanish": ("analyse", "part-lifespans", "--format", "html", "--language", "es"),
}
# A narrow screen stacks the tables: once for each sort of report is enough.
_CASES = [(name, 1100) for name in _REPORTS] + [(name, 390) for name in ("owner", "full", "fleet")]


@pytest.mark.parametrize(("name", "width"), _CASES)
def test_a_report_has_no_violation(report_of: ReportOf, audit, name: str, width: int) -> None:
    assert audit(report_of("plain.db", *_REPORTS[name]), width) == []
