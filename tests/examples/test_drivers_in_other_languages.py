"""Drivers written from LINK.md alone, in languages this project is not written in, pass the probe as processes.

These run on the real clock, at the same time, for about a minute; a machine that stalls makes a check `inconclusive`.
"""

from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.support.other_languages import DRIVERS, Probing, c_driver, node_driver

NOT_FROM_HERE = {"takes-over", "ends", "sleeps", "exit-sensor"}
EXPECTED = {
    "c": NOT_FROM_HERE | {"rest-by-time"},
    "c, no feedback": NOT_FROM_HERE | {"reaches", "out-of-band"},
    "node": NOT_FROM_HERE | {"rest-by-time"},
}


def begin(folder: Path, ends: ExitStack) -> dict[str, Probing]:
    """Start all drivers with a probe each, so that they take a minute together, and that beside all other tests."""
    started: dict[str, Probing] = {}
    for name, command, more in (
        ("c", lambda: (str(c_driver()),), ()),
        ("c, no feedback", lambda: (str(c_driver()),), ("no-feedback",)),
        ("node", node_driver, ()),
    ):
        try:
            started[name] = Probing(*command(), more=more)
        except (pytest.skip.Exception, pytest.fail.Exception):
            continue  # the test of that driver says so itself
        ends.callback(started[name].end)
    return started


@pytest.fixture(scope="module")
def probings(begun_early: Mapping[str, dict[str, Probing]]) -> dict[str, Probing]:
    """Every driver that could be started, with its probe."""
    return begun_early[__name__]


@pytest.mark.parametrize("name", EXPECTED)
def test_all_that_can_be_known_holds(name: str, probings: dict[str, Probing]) -> None:
    """Every check of the probe holds, or says that it cannot be known; the driver ends cleanly, sanitizers silent."""
    if name not in probings:
        node_driver() if name == "node" else c_driver()
    status, told, ended, last_words = probings[name].verdict()
    bad = {check["name"]: check["saw"] for check in told["checks"] if check["result"] not in ("holds", "not known")}
    assert (status, bad) == (0, {})
    assert {check["name"] for check in told["checks"] if check["result"] == "not known"} == EXPECTED[name]
    assert (ended, last_words) == (0, "")


def test_the_rules_in_c_stay_short() -> None:
    """The rules of the link fit in 400 lines of C: an evening's reading."""
    assert len((DRIVERS / "c" / "driver.c").read_text(encoding="utf-8").splitlines()) < 400
