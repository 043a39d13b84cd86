"""No report is wider than its screen, whatever stands in it; measured in Chromium."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from commandline import ReportOf

# Chromium gives a window no less than about 500 pixels, so the page is measured in a frame.
_FRAME = """<!doctype html><title>none</title>
<iframe src="{name}" style="width:{width}px;height:900px;border:0"></iframe>
<script>
addEventListener('message', told => {{ document.title = told.data; }});
</script>"""
_TELL = """<script>
document.querySelectorAll('details').forEach(one => { one.open = true; });
const page = document.documentElement;
parent.postMessage('over ' + (page.scrollWidth - page.clientWidth), '*');
</script></body>"""


@pytest.fixture
def overflow(document_of: Callable[..., str], tmp_path: Path) -> Callable[[str, int], int]:
    """Return by how many pixels a page leaves a screen of some width."""

    def measure(text: str, width: int) -> int:
        # The page's policy forbids the script that measures; it is given a copy without it.
        text = re.sub(r"<meta http-equiv=[^>]*>", "", text).replace("</body>", _TELL)
        (tmp_path / "inner.html").write_text(text, encoding="utf-8")
        outer = tmp_path / "outer.html"
        outer.write_text(_FRAME.format(name="inner.html", width=width), encoding="utf-8")
        told = re.search(r"<title>over (-?\d+)</title>", document_of(outer))
        assert told is not None
        return int(told[1])

    return measure


def test_the_measure_sees_what_is_too_wide(overflow: Callable[[str, int], int]) -> None:
    wide = "<!doctype html><body style='margin:0'><p style='width:700px'>x</p></body>"
    assert overflow(wide, 390) == 310


@pytest.mark.parametrize("width", [360, 820, 1200])
@pytest.mark.parametrize(
    "words", [("vehicle", "car-2", "--full"), ("fleet", "--full")], ids=["vehicle", "fleet"]
)
def test_a_report_of_hostile_text_stays_on_the_screen(
    report_of: ReportOf, overflow: Callable[[str, int], int], words, width: int
) -> None:
    assert overflow(report_of("hostile.db", "report", *words, "-o", "-"), width) == 0
