"""Which test runs which line: the tests once under coverage, each with its name as context and its time.

The map is kept in a file outside the tree; it is valid for the sources it was made with.
"""

import json
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import coverage
import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCES = (
    "daemon/engine",
    "daemon/planning",
    "daemon/physics",
    "daemon/aim",
    "daemon/drills",
    "daemon/journal",
    "protocol",
)
TESTS = (
    "engine",
    "planning",
    "physics",
    "aim",
    "drills",
    "journal",
    "protocol",
    "replay",
    "mended",
    "shell",
    "daemon",
    "house",
)


class _Names:
    """Tell coverage which test is running, and keep how long each took."""

    def __init__(self, measure: coverage.Coverage) -> None:
        self.measure = measure
        self.seconds: dict[str, float] = {}

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.measure.switch_context(item.nodeid)
        began = time.perf_counter()
        yield
        self.seconds[item.nodeid] = round(time.perf_counter() - began, 4)
        self.measure.switch_context("")


def sources() -> list[Path]:
    """Return the files that are changed, in order, as paths in the tree."""
    return sorted(path.relative_to(ROOT) for folder in SOURCES for path in (ROOT / folder).rglob("*.py"))


def cover(folders: tuple[str, ...], map_file: Path) -> int:
    """Run the tests of the folders under coverage and write the map; return how many tests it knows."""
    measure = coverage.Coverage(data_file=None, source=[str(ROOT / folder) for folder in SOURCES], messages=False)
    names = _Names(measure)
    measure.start()
    pytest.main(
        ["-q", "-p", "no:cacheprovider", "-W", "default", *(str(ROOT / "tests" / name) for name in folders)], [names]
    )
    measure.stop()
    data = measure.get_data()
    lines: dict[str, dict[int, list[str]]] = {}
    for measured in data.measured_files():
        contexts = data.contexts_by_lineno(measured)
        by_line = {line: sorted(name for name in found if name) for line, found in contexts.items()}
        lines[str(Path(measured).resolve().relative_to(ROOT))] = by_line
    map_file.write_text(json.dumps({"seconds": names.seconds, "lines": lines}))
    return len(names.seconds)


class Map:
    """What `cover` found: the tests that run a line, nearest first."""

    def __init__(self, map_file: Path) -> None:
        known: dict[str, Any] = json.loads(map_file.read_text())
        self.seconds: dict[str, float] = known["seconds"]
        self._lines: dict[str, dict[str, list[str]]] = known["lines"]
        self._weight: dict[str, dict[str, int]] = {}
        for path, by_line in self._lines.items():
            counted: dict[str, int] = defaultdict(int)
            for names in by_line.values():
                for name in names:
                    counted[name] += 1
            self._weight[path] = counted

    def tests(self, path: str, first: int, last: int, budget_s: float) -> list[str]:
        """Return the tests that run a line from first to last, else those that run most of the file, within a time.

        The tests of the folder of the same name come first, then the quick ones.
        """
        by_line = self._lines.get(path, {})
        names = {name for line in range(first, last + 1) for name in by_line.get(str(line), [])}
        weight = self._weight.get(path, {})
        if not names:
            names = set(sorted(weight, key=lambda name: -weight[name])[:200])
        near = f"tests/{Path(path).parts[-2]}/"
        ordered = sorted(names, key=lambda name: (not name.startswith(near), self.seconds[name]))
        chosen, spent = [], 0.0
        for name in ordered:
            if spent + self.seconds[name] <= budget_s:
                chosen.append(name)
                spent += self.seconds[name]
        return chosen
