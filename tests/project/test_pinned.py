"""The pinned versions of a release: whole, with digests, within the ranges, naming no registry."""

import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
PIN = re.compile(r"^([a-z0-9][a-z0-9._-]*)==([^ ;]+)(?: ; ([^\\]*))? \\$")


def test_every_version_is_pinned_with_digests_and_no_registry_is_named() -> None:
    text = (ROOT / ".ci" / "pinned.txt").read_text(encoding="utf-8")
    assert "://" not in text
    pins: dict[str, list[str]] = {}
    digests = 0
    for line in text.splitlines():
        if found := PIN.match(line):
            pins.setdefault(canonicalize_name(found[1]), []).append(found[2])
            assert digests or len(pins) == 1, f"no digest before {line}"
            digests = 0
        elif line.startswith("    --hash=sha256:"):
            digests += 1
        else:
            assert line.startswith("#"), line
    assert digests
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    wanted = [
        *project["project"]["dependencies"],
        *(one for extra in project["project"]["optional-dependencies"].values() for one in extra),
        # A group may name another that it includes.
        *(
            one
            for group in project["dependency-groups"].values()
            for one in group
            if type(one) is str
        ),
    ]
    for one in map(Requirement, wanted):
        versions = pins.get(canonicalize_name(one.name), [])
        assert any(version in one.specifier for version in versions), (
            f"{one} is not met by {versions}: make the file anew, as DEVELOPERS.md says"
        )
