"""Answers kept beside the columns: read as they were written, and never when anything is wrong."""

import os
import stat
import string
import subprocess
import sys
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from roadworn.analysis import RESULT_TYPES, Column, Mark, Result, Series, Table
from roadworn.columns import kept
from roadworn.columns.kept import Codec, Kept, Unkeepable, files_mark, named_files, nothing
from roadworn.columns.kept_rows import KeptRows
from roadworn.columns.spec import Rows
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, PlaceName, Sentence, parts_of

CODEC = Codec(RESULT_TYPES)
TEXTS = st.text(max_size=20)
PLAIN = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(allow_nan=False),
    TEXTS,
    st.dates(),
    st.datetimes().map(lambda moment: moment.replace(fold=0)),
    st.decimals(allow_nan=False),
    st.sampled_from(Mark),
    st.builds(PlaceName, TEXTS, TEXTS),
    st.builds(part_name, st.sampled_from(["brake.pad", "wheel.bearing"]), st.just("LF")),
)
WORDS = st.text(string.ascii_lowercase, min_size=1, max_size=8)


def sentences(inner: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.builds(
        lambda code, value, more: Sentence(code, "{value} and {more}", value=value, more=more),
        WORDS,
        inner,
        inner,
    )


VALUES = st.recursive(
    PLAIN,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.lists(inner, max_size=4).map(tuple),
        st.dictionaries(TEXTS, inner, max_size=3),
        sentences(inner),
        st.builds(Joined, st.lists(inner, max_size=3), st.sampled_from([", ", "; "])),
    ),
    max_leaves=20,
)
# No sentence tells a set: the order in which Python writes one is chance.
MARKED = st.tuples(st.frozensets(st.sampled_from(Mark), max_size=3), VALUES)


def exactly(value: Any) -> Any:
    """Return a value with the type of each of its pieces, whatever equals what."""
    if isinstance(value, tuple | list):
        return type(value), [exactly(one) for one in value]
    if isinstance(value, frozenset):
        return type(value), sorted(map(repr, value))
    if isinstance(value, dict):
        return [(key, exactly(one)) for key, one in value.items()]
    if isinstance(value, Sentence):
        return value.code, value.template, str(value), exactly(dict(value.arguments))
    if isinstance(value, Joined):
        return "joined", str(value), value.by, exactly(value.parts)
    more = [getattr(value, name, None) for name in ("component", "position")]
    return type(value), repr(value), more


def store(folder: Path, state: object = "now") -> Kept:
    ledger = folder / "shop.db"
    ledger.touch()
    return Kept.beside(ledger, folder / "shop.db.columns", state)


@given(MARKED)
def test_what_is_kept_is_read_exactly(value: Any) -> None:
    read = CODEC.made(orjson.loads(orjson.dumps(CODEC.plain(value))))
    assert exactly(read) == exactly(value)


ARRAYS = st.one_of(
    st.lists(st.floats()).map(lambda values: np.array(values, dtype=np.float64)),
    st.lists(st.lists(st.integers(-9, 9), min_size=3, max_size=3), min_size=1).map(np.array),
    st.lists(st.booleans()).map(lambda values: np.array(values, dtype=bool)),
    st.just(np.zeros((2, 0, 3))),
    st.just(np.arange(12.0).reshape(3, 4).T),
)


@given(ARRAYS)
def test_an_array_is_kept_to_the_last_bit(array: NDArray[Any]) -> None:
    read = CODEC.made(orjson.loads(orjson.dumps(CODEC.plain([array]))))[0]
    assert (read.dtype, read.shape) == (array.dtype, array.shape)
    assert read.tobytes() == array.tobytes()
    read += 1 if array.dtype != bool else True


def test_a_single_value_of_an_array_is_kept_as_pythons_own() -> None:
    values = (np.float64(0.1), np.int64(7), np.bool_(True), np.float64("nan"))
    read = [CODEC.made(CODEC.plain(value)) for value in values]
    assert [type(one) for one in read] == [float, int, bool, float]
    assert read[:3] == [0.1, 7, True]


def test_an_array_of_anything_else_is_not_kept() -> None:
    with pytest.raises(Unkeepable):
        CODEC.plain(np.array(["x", None], dtype=object))


def test_what_is_made_of_a_part_is_kept_by_that_part_alone(tmp_path: Path) -> None:
    made: list[int] = []

    def make(n: int) -> Any:
        made.append(n)
        return [n, np.arange(3.0)]

    for state, program, part in (
        ("now", "p", frozenset("ab")),
        ("later", "p", frozenset("ba")),
        ("later", "q", frozenset("ab")),
        ("later", "q", frozenset("abc")),
    ):
        kept = store(tmp_path, state).for_all_states(program)
        found = kept.made("n", [part, np.arange(2)], lambda: make(len(made)), CODEC)
        assert found[0] == made[-1]
    assert made == [0, 1, 2]
    odd = store(tmp_path).for_all_states("p")
    assert odd.made("n", object(), lambda: make(9), CODEC)[0] == 9


def test_a_result_keeps_its_sentences_as_data(tmp_path: Path) -> None:
    told = Sentence("x.y", "{n:,.0f} of {part} on {day}", n=2.5, part="a", day=date(2026, 1, 2))
    table = Table(
        "t",
        "T",
        (Column("a", "A"), Column("b", "B", "money")),
        ((told, Decimal("12.30")), (Joined([told, told], "; "), None)),
        marks=(frozenset({Mark.SAFETY, Mark.OPEN}), frozenset()),
    )
    found = Result(told, (table,), caveats=(told,))
    kept_here = store(tmp_path)
    assert kept_here.get("q", CODEC) is nothing
    assert kept_here.put("q", found, CODEC) == found
    read = kept_here.get("q", CODEC)
    assert read == found
    arguments = [getattr(one, "arguments", None) for one in parts_of(read.tables[0].rows[1][0])]
    assert arguments == [None, *[told.arguments, None, None, None] * 2]
    assert read.tables[0].marks == table.marks


@pytest.mark.parametrize("value", [float("inf"), float("-inf")])
def test_what_is_not_finite_is_kept(value: float, tmp_path: Path) -> None:
    series = Series("a", (1.0,), (value,))
    store(tmp_path).put("q", series, CODEC)
    assert store(tmp_path).get("q", CODEC) == series


class Own(str):
    """A text of somebody's own, with more behind it than is seen."""

    __slots__ = ()


@pytest.mark.parametrize("value", [object(), {1}, Own("x"), b"bytes", 1j, [1, (Own("x"),)]])
def test_what_is_of_another_type_is_not_kept_but_returned(value: Any, tmp_path: Path) -> None:
    with pytest.raises(Unkeepable):
        CODEC.plain(value)
    assert store(tmp_path).put("q", value, CODEC) is value
    assert store(tmp_path).get("q", CODEC) is nothing


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"nothing of ours",
        b"\x80\x04\x95",
        b'roadworn-kept 1 x y\n["tuple"]',
    ],
    ids=["empty", "foreign", "pickle", "forged"],
)
def test_a_damaged_or_foreign_file_counts_as_none(damage: bytes, tmp_path: Path) -> None:
    here = store(tmp_path)
    here.put("q", ("sound",), CODEC)
    (file,) = here.folder.iterdir()
    file.write_bytes(damage)
    assert here.get("q", CODEC) is nothing
    here.put("q", ("again",), CODEC)
    assert here.get("q", CODEC) == ("again",)


def test_every_single_changed_byte_is_noticed(tmp_path: Path) -> None:
    here = store(tmp_path)
    here.put("q", (1, "two", date(2026, 3, 4)), CODEC)
    (file,) = here.folder.iterdir()
    sound = file.read_bytes()
    for at in range(len(sound)):
        file.write_bytes(sound[:at] + bytes([sound[at] ^ 1]) + sound[at + 1 :])
        assert here.get("q", CODEC) is nothing


def test_an_answer_of_another_question_is_not_taken(tmp_path: Path) -> None:
    here = store(tmp_path)
    here.put("a", "of a", CODEC)
    (file,) = here.folder.iterdir()
    here.put("b", "of b", CODEC)
    (other,) = set(here.folder.iterdir()) - {file}
    other.write_bytes(file.read_bytes())
    assert here.get("a", CODEC) == "of a"
    assert here.get("b", CODEC) is nothing
    assert store(tmp_path, "later").get("a", CODEC) is nothing


def test_a_place_that_cannot_be_written_is_borne_in_silence(tmp_path: Path) -> None:
    (tmp_path / "shop.db.columns").write_text("in the way")
    here = store(tmp_path)
    assert here.put("q", 7, CODEC) == 7
    assert here.get("q", CODEC) is nothing
    here.tidy()


def test_files_are_as_private_as_the_ledger(tmp_path: Path) -> None:
    (tmp_path / "shop.db").touch()
    for mode, folder in ((0o600, 0o700), (0o640, 0o750), (0o644, 0o755)):
        (tmp_path / "shop.db").chmod(mode)
        here = Kept.beside(tmp_path / "shop.db", tmp_path / f"{mode}", "now")
        here.put("q", 1, CODEC)
        (file,) = here.folder.iterdir()
        assert stat.S_IMODE(file.stat().st_mode) == mode
        assert stat.S_IMODE(here.folder.stat().st_mode) == folder


def test_the_oldest_are_thrown_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "_MOST_FILES", 3)
    here = store(tmp_path)
    for number in range(6):
        here.put(number, number, CODEC)
        for file in here.folder.iterdir():
            os.utime(file, ns=(0, file.stat().st_mtime_ns - 10**9))
    here.tidy()
    assert [here.get(number, CODEC) for number in range(6)] == [*[nothing] * 3, 3, 4, 5]
    monkeypatch.setattr(kept, "_MOST_BYTES", 10)
    here.tidy()
    assert list(here.folder.iterdir()) == []


def test_what_is_still_asked_for_is_not_thrown_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept, "_MOST_FILES", 4)
    lasting = store(tmp_path).for_all_states("program")
    lasting.put("the fleet", 1, CODEC)
    for state in range(6):
        for file in lasting.folder.iterdir():
            os.utime(file, ns=(0, file.stat().st_mtime_ns - 10**9))
        here = store(tmp_path, state)
        assert lasting.get("the fleet", CODEC) == 1
        here.put("one vehicle", state, CODEC)
        rows = KeptRows(here)
        rows.put("asked", Rows(("a",), [(state,)]))
        rows.save()
        here.tidy()
    assert KeptRows(here).get("asked") == Rows(("a",), [(5,)])
    assert len(list(lasting.folder.iterdir())) == 4


def test_what_is_too_large_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "_LARGEST", 100)
    assert store(tmp_path).put("q", "x" * 200, CODEC) == "x" * 200
    assert store(tmp_path).get("q", CODEC) is nothing


WRITER = """
import sys
from pathlib import Path
from roadworn.columns.kept import Codec, Kept, nothing
here = Kept.beside(Path(sys.argv[1]), Path(sys.argv[1] + ".columns"), "now")
for turn in range(150):
    here.put(turn % 7, ("answer", turn % 7) * 200, Codec())
    found = here.get(turn % 7, Codec())
    assert found == ("answer", turn % 7) * 200, found
    here.tidy()
"""


def test_several_processes_may_write_at_once(tmp_path: Path) -> None:
    ledger = tmp_path / "shop.db"
    ledger.touch()
    command = [sys.executable, "-c", WRITER, str(ledger)]
    running = [subprocess.Popen(command, stderr=subprocess.PIPE) for _ in range(3)]
    assert [(one.communicate()[1], one.returncode) for one in running] == [(b"", 0)] * 3
    assert len(list((tmp_path / "shop.db.columns" / "kept").iterdir())) == 7


def test_a_changed_file_changes_the_mark(tmp_path: Path) -> None:
    package = tmp_path / "package"
    (package / "inner").mkdir(parents=True)
    one, data = package / "one.py", package / "inner" / "data.toml"
    one.write_text("a = 1")
    data.write_text("b = 1")
    seen = [files_mark([package])]
    for change in (
        lambda: data.write_text("b = 2"),
        lambda: one.rename(package / "two.py"),
        (package / "new.py").touch,
    ):
        change()
        seen.append(files_mark([package]))
    # A copy with the size and the time of what was there before.
    before = data.stat()
    data.write_text("b = 3")
    os.utime(data, ns=(before.st_atime_ns, before.st_mtime_ns))
    seen.append(files_mark([package]))
    assert len(set(seen)) == len(seen)
    (package / "__pycache__").mkdir()
    (package / "__pycache__" / "two.pyc").touch()
    assert files_mark([package]) == seen[-1]


def test_a_file_that_a_setting_names_counts_by_its_content(tmp_path: Path) -> None:
    rules = tmp_path / "rules.toml"
    assert named_files([str(rules), "bus-7", 3, None, "a\0b", "x" * 5000]) == []
    rules.write_text("limit = 3")
    first = named_files([str(rules)])
    rules.write_text("limit = 4")
    assert [] != first != named_files([str(rules)])


def test_a_moment_keeps_its_zone() -> None:
    moment = datetime(2026, 1, 2, 3, 4, 5, 6, tzinfo=UTC)
    assert CODEC.made(CODEC.plain(moment)) == moment
