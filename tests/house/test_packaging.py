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


def test_every_data_file_of_the_examples_is_found_by_the_package() -> None:
    """Machines, balls and drills are read from the installed package, not from the checkout."""
    for kind in ("machines", "balls", "drills"):
        here = {path.name for path in (ROOT / "examples" / kind).glob("*.toml")}
        there = {path.name for path in resources.files(f"drillfeed.examples.{kind}").iterdir()}
        assert here <= there
        assert here


def test_the_version_answers_without_heavy_imports() -> None:
    """`drillfeed --version` imports neither numpy nor pydantic nor zmq."""
    code = (
        "import sys; from drillfeed.daemon.cli import main; main(['--version']); "
        "print(sorted({'numpy', 'scipy', 'pydantic', 'zmq', 'asyncio', 'structlog'} & set(sys.modules)))"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert shown.stdout.splitlines() == ["drillfeed 0.1.0", "[]"]
