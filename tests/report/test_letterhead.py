"""The shop's letterhead: put on a page as text, refused in one sentence when it is not right."""

import base64
from pathlib import Path

import pytest
from report.markup import Page

from roadworn.model.errors import UsageError
from roadworn.say import Said
from roadworn_cli.report.letterhead import BESIDE, letterhead_of
from roadworn_cli.report.model import Report
from roadworn_cli.report.page import render
from roadworn_cli.words import Look, Words

#: The smallest PNG: signature, header, data and end (RFC 2083).
PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
)


def written(folder: Path, text: str, name: str = BESIDE) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def page_with(path: Path, ledger: Path) -> tuple[str, Page]:
    head = letterhead_of(str(path), ledger)
    text = render(Report(Said("t"), (), (), letterhead=head), Words(Look()))
    return text, Page.of(text)


def test_name_lines_telephone_and_image_stand_on_the_page(tmp_path: Path) -> None:
    (tmp_path / "mark.png").write_bytes(PNG)
    path = written(
        tmp_path,
        'name = "Harbor Lane Garage"\nlines = ["12 Harbor Lane"]\ntelephone = "555 0100"\n'
        'image = "mark.png"\n',
    )
    text, page = page_with(path, tmp_path / "roadworn.db")
    assert "Harbor Lane Garage 12 Harbor Lane 555 0100" in page.text
    (image,) = page.tags("img")
    assert base64.b64decode(str(image["src"]).partition("base64,")[2]) == PNG
    assert "img-src data:" in text


def test_the_one_beside_the_ledger_is_taken_and_none_is_needed(tmp_path: Path) -> None:
    ledger = tmp_path / "roadworn.db"
    assert letterhead_of("", ledger) is None
    written(tmp_path, 'name = "Harbor Lane Garage"\n')
    found = letterhead_of("", ledger)
    assert found is not None
    assert found.name == "Harbor Lane Garage"


def test_what_stands_in_it_is_text_and_nothing_else(tmp_path: Path) -> None:
    told = "<script>document.title='RAN'</script>\\u202e {{7*7}}"
    path = written(tmp_path, f'name = "{told}"\nlines = ["{told}"]\ntelephone = "{told}"\n')
    _text, page = page_with(path, tmp_path / "roadworn.db")
    assert page.tags("script") == []
    assert page.text.count("<script>") == 3
    assert "{{7*7}}" in page.text
    assert "\u202e" not in page.text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name = ", "is no TOML file"),
        ("telephone = '1'", "needs a name"),
        ("name = 'A'\nlines = 'x'", "lines are texts"),
        ("name = 'A'\nlines = ['1', '2', '3', '4', '5', '6', '7']", "7 lines; 6 fit"),
        ("name = 'A'\ncolour = 'red'", "not colour"),
        ("name = 'A'\ntelephone = 5", "are texts"),
        ("name = 'A'\nimage = 'gone.png'", "cannot be read"),
        ("name = 'A'\nimage = 'letterhead.toml'", "neither PNG nor JPEG"),
    ],
)
def test_what_is_wrong_is_said_in_a_sentence(tmp_path: Path, text: str, said: str) -> None:
    path = written(tmp_path, text)
    with pytest.raises(UsageError, match=said):
        letterhead_of(str(path), tmp_path / "roadworn.db")
    with pytest.raises(UsageError, match="cannot be read"):
        letterhead_of(str(tmp_path / "none.toml"), tmp_path / "roadworn.db")
