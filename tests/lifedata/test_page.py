"""The examples of docs/lifedata.md, run from the first to the last."""

import re
from pathlib import Path

import numpy as np

import roadworn

PAGE = Path(__file__).parents[2] / "docs" / "lifedata.md"


def test_the_examples_run_as_they_stand(demo_ledger: Path) -> None:
    blocks = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert len(blocks) >= 8
    names: dict[str, object] = {}
    for block in blocks:
        exec(compile(block, PAGE.name, "exec"), names)  # our own page
    with roadworn.open(demo_ledger, as_of="2026-11-20") as book:
        lives = names["lives_of"](book, "brake.pad")  # type: ignore[operator]
        failed = "SELECT count(*) FROM part_lives WHERE component = 'brake.pad' AND failed"
        assert int(np.isfinite(lives.upper).sum()) == book.view.sql(failed).rows[0][0]
