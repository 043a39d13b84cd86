"""The shop's letterhead: a small TOML file, its image put into the page so that it stays one file.

```toml
name = "Harbor Lane Garage"
lines = ["12 Harbor Lane", "Open Monday to Friday, 8 to 5"]
telephone = "555 0100"
image = "mark.png"
```
"""

import base64
import tomllib
from pathlib import Path
from typing import Final

from roadworn.model.errors import UsageError
from roadworn.model.toml import read_toml
from roadworn_cli.report.model import Letterhead
from roadworn_cli.words import shown

#: Its name where it lies beside the ledger and is taken without being asked for.
BESIDE: Final = "letterhead.toml"
_FIELDS: Final = ("name", "lines", "telephone", "image")
_MOST_LINES, _LONGEST = 6, 90
_MOST_BYTES = 400_000
#: How a file of each kind begins: PNG (RFC 2083, 3.1) and JPEG (ITU-T T.81, B.1.1.3).
_BEGINS: Final = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg"}


def letterhead_of(given: str, ledger: Path) -> Letterhead | None:
    """Return the letterhead that was asked for, or the one beside the ledger, None without one.

    Args:
        given: path of the file, empty to look beside the ledger.
        ledger: path of the ledger.

    Raises:
        UsageError: the file is not there, or something in it is not as it should be.
    """
    path = Path(given) if given else ledger.parent / BESIDE
    if not given and not path.is_file():
        return None
    try:
        told = read_toml(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError(f"The letterhead {path} cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"The letterhead {path} is no TOML file: {error}.") from error
    return _checked(told, path)


def _checked(told: dict[str, object], path: Path) -> Letterhead:
    unknown = ", ".join(sorted(told.keys() - set(_FIELDS)))
    if unknown:
        raise UsageError(f"The letterhead {path} takes {', '.join(_FIELDS)}, not {unknown}.")
    name, lines = told.get("name"), told.get("lines", [])
    telephone, image = told.get("telephone", ""), told.get("image", "")
    if not isinstance(name, str) or not name.strip():
        raise UsageError(f'The letterhead {path} needs a name: name = "Harbor Lane Garage".')
    if not isinstance(lines, list) or not all(isinstance(line, str) for line in lines):
        raise UsageError(f'In the letterhead {path} lines are texts: lines = ["12 Harbor Lane"].')
    if len(lines) > _MOST_LINES:
        raise UsageError(f"The letterhead {path} has {len(lines)} lines; {_MOST_LINES} fit.")
    if not isinstance(telephone, str) or not isinstance(image, str):
        raise UsageError(f"In the letterhead {path} telephone and image are texts.")
    return Letterhead(
        shown(name.strip(), _LONGEST),
        tuple(shown(line, _LONGEST) for line in lines if line.strip()),
        shown(telephone.strip(), _LONGEST),
        _embedded(path.parent / image) if image else "",
    )


def _embedded(path: Path) -> str:
    """Return an image as a ``data:`` address (RFC 2397)."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UsageError(
            f"The image {path} of the letterhead cannot be read ({error.strerror})."
        ) from error
    kind = next((kind for begin, kind in _BEGINS.items() if data.startswith(begin)), "")
    if not kind:
        raise UsageError(f"The image {path} of the letterhead is neither PNG nor JPEG.")
    if len(data) > _MOST_BYTES:
        raise UsageError(
            f"The image {path} of the letterhead has {len(data):,} bytes: make it smaller than "
            f"{_MOST_BYTES:,}."
        )
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"
