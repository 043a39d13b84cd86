"""Names and numbers stay outside the chain and can be erased for good."""

from pathlib import Path

from commandline import Run


def test_keep_show_and_erase(shop: Run, tmp_path: Path) -> None:
    shop("verify")  # signs the head, which the next one compares
    before = shop("verify", "--format", "json").json()
    kept = shop("contact", "OWNER-12", "--name", "A. Person", "--phone", "555", "--format", "json")
    assert kept.json() == [
        {
            "reference": "OWNER-12",
            "name": "A. Person",
            "phone": "555",
            "address": None,
            "note": None,
        }
    ]
    shop("contact", "OWNER-12", "--address", "1 Quay Road")
    assert "A. Person" in shop("contact").out
    assert shop("contact", "OWNER-12", "--erase").code == 0
    gone = shop("contact", "OWNER-12")
    assert gone.code == 2
    assert "erased" in gone.err
    assert shop("verify", "--format", "json").json() == before
    for path in tmp_path.iterdir():
        assert b"Quay Road" not in path.read_bytes()


def test_mistakes(shop: Run) -> None:
    nameless = shop("contact", "--name", "A. Person")
    assert nameless.code == 2
    assert "Name the reference first" in nameless.err
    both = shop("contact", "OWNER-12", "--name", "x", "--erase")
    assert both.code == 2
