"""What is built installs into a fresh environment, whole, and its demo runs from there."""

import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.slow


def run(*words: str | Path, cwd: Path) -> str:
    done = subprocess.run([str(w) for w in words], cwd=cwd, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return done.stdout


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("built")
    # The wheel is built from the sdist, so that nothing it needs can be missing there.
    run(sys.executable, "-m", "uv", "build", "--no-progress", "-o", folder, cwd=ROOT)
    return folder


def data_files() -> set[str]:
    """Return the data files of the import packages, as a wheel names them."""
    roots = {"ledger": "roadworn", "plugins": "roadworn_plugins"}
    roots |= {"cli": "roadworn_cli", "demo_ledger": "roadworn_demo"}
    return {
        str(path.relative_to(ROOT / root))
        for root, package in roots.items()
        for path in (ROOT / root / package).rglob("*")
        if path.is_file() and path.suffix not in {".pyc", ".pyo"}
    }


def test_the_wheel_holds_every_file_of_the_packages(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    assert data_files() - names == set()
    assert not {name for name in names if name.startswith(("tests/", "docs/"))}


def test_the_sdist_holds_tests_and_documents(built: Path) -> None:
    (sdist,) = built.glob("*.tar.gz")
    with tarfile.open(sdist) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
    assert {"README.md", "LICENSE", "CHANGELOG.md", "pyproject.toml"} <= names
    assert "tests/project/test_packaging.py" in names


def test_the_demo_runs_from_a_fresh_environment(built: Path, tmp_path: Path) -> None:
    (wheel,) = built.glob("*.whl")
    run(sys.executable, "-m", "uv", "venv", "-q", "fresh", "-p", sys.executable, cwd=tmp_path)
    python = tmp_path / "fresh" / "bin" / "python"
    run(sys.executable, "-m", "uv", "pip", "install", "-q", "-p", python, wheel, cwd=tmp_path)
    said = run(tmp_path / "fresh" / "bin" / "roadworn", "demo", "--into", "demo", cwd=tmp_path)
    assert "outer tie rod end L, do not drive" in said
    assert (tmp_path / "demo" / "vehicle.html").is_file()
