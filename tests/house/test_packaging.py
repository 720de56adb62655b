"""What is installed is what lies in the folders."""

import subprocess
import sys
import tomllib
from importlib import resources
from pathlib import Path

import pytest

pytestmark = pytest.mark.patient

ROOT = Path(__file__).parents[2]
TOPS = ("protocol", "daemon", "clients", "examples")


def settings() -> dict[str, object]:
    """Return the setuptools part of pyproject.toml."""
    tools = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    found: dict[str, object] = tools["setuptools"]
    return found


def test_every_package_folder_is_listed() -> None:
    """A sub-package that is not listed would work from the checkout and be missing from the wheel."""
    folders = {
        "drillfeed." + ".".join(path.parent.relative_to(ROOT).parts)
        for top in TOPS
        for path in (ROOT / top).rglob("__init__.py")
    }
    assert folders == set(settings()["packages"])  # type: ignore[call-overload]


def test_every_data_file_of_the_library_is_found_by_the_package() -> None:
    """Machines, balls and drills are read from the installed package, not from the checkout."""
    for kind in ("machines", "balls", "drills"):
        here = {path.name for path in (ROOT / "daemon" / "library" / kind).glob("*.toml")}
        there = {path.name for path in (resources.files("drillfeed.daemon.library") / kind).iterdir()}
        assert here <= there
        assert here


def test_every_data_file_of_the_library_goes_into_the_wheel() -> None:
    """Its folder is not a package, so a file that no pattern names would be missing from the wheel alone."""
    library = ROOT / "daemon" / "library"
    patterns = settings()["package-data"]["drillfeed.daemon.library"]  # type: ignore[index]
    listed = {path for pattern in patterns for path in library.glob(pattern)}
    assert listed == {path for path in library.rglob("*.*") if path.suffix != ".py" and "__pycache__" not in path.parts}


def test_the_version_answers_without_heavy_imports() -> None:
    """`drillfeed --version` imports neither numpy nor pydantic nor zmq."""
    code = (
        "import sys; from drillfeed.daemon.cli import main; main(['--version']); "
        "print(sorted({'numpy', 'scipy', 'pydantic', 'zmq', 'asyncio', 'structlog'} & set(sys.modules)))"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert shown.stdout.splitlines() == ["drillfeed 0.1.0", "[]"]
