"""A whole run is shared out so that tests on the real clock stay together, whatever they are called."""

from pathlib import Path

import pytest

from tests.support.real_clock import GROUP, ROOT, on_the_real_clock, work_unit

FILES = sorted((ROOT / "tests").rglob("test_*.py"))


@pytest.mark.parametrize(
    ("line", "clock"),
    [
        ("import subprocess", True),
        ("from subprocess import Popen", True),
        ("import time", True),
        ("from tests.faults.bench import Bench", True),
        ("from tests.support.terminal import OnTerminal", True),
        ("from drillfeed.daemon.demo.processes import running_pair", True),
        ("import subprocess\n\npytestmark = pytest.mark.patient", False),
        ("import timeit", False),
        ("from drillfeed.daemon.demo.choice import choose", False),
        ("from tests.support.halls import WatchedHall", False),
        ("text = '''from what has no import time'''", False),
    ],
)
def test_a_file_is_known_by_what_it_imports(line: str, clock: bool, tmp_path: Path) -> None:
    """What starts processes or waits puts a file on the real clock; a virtual hall doesn't."""
    file = tmp_path / "test_it.py"
    file.write_text(f'"""A test."""\n\n{line}\n')
    assert on_the_real_clock(file) is clock


def test_what_begins_early_is_on_the_real_clock() -> None:
    """The worker that has the files on the real clock begins for all; another file's `begin` would be its own."""
    early = [file for file in FILES if "\ndef begin(folder" in file.read_text(encoding="utf-8")]
    assert len(early) >= 2
    for file in early:
        assert work_unit(f"{file.relative_to(ROOT)}::test_it") == GROUP


def test_virtual_tests_are_handed_out_by_file() -> None:
    """Most files are units of their own, so both workers stay busy."""
    units = [work_unit(f"{file.relative_to(ROOT)}::test_it") for file in FILES]
    assert units.count(GROUP) < len(FILES) / 2
    assert len(set(units)) == len(FILES) - units.count(GROUP) + 1
