"""A pytest plugin: how long each worker of a shared run was busy, and of that with tests on the real clock."""

from collections import defaultdict

import pytest

from tests.support.real_clock import GROUP, work_unit


class WorkerTimes:
    """Adds up the seconds that tests took, by worker, and writes them into the summary."""

    def __init__(self) -> None:
        self._busy_s: defaultdict[str, float] = defaultdict(float)
        self._on_the_clock_s: defaultdict[str, float] = defaultdict(float)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Add a phase of a test; only in a shared run has it a worker."""
        if hasattr(report, "node"):
            worker = report.node.gateway.id
            self._busy_s[worker] += report.duration
            if work_unit(report.nodeid) == GROUP:
                self._on_the_clock_s[worker] += report.duration

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """Write a line for each worker."""
        for worker, busy_s in sorted(self._busy_s.items()):
            clock_s = self._on_the_clock_s[worker]
            terminalreporter.write_line(f"{worker}: {busy_s:.0f} s in tests, {clock_s:.0f} s of them {GROUP}")
