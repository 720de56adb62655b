"""Three whole daemons killed in mid-practice; two hundred: `python -m tests.faults.kills`."""

import pytest

from tests.faults.kills import kill_often, summary


def test_a_killed_daemon_loses_no_throw_that_it_had_told() -> None:
    """What a watching client was told before the kill stands in the journal once the next daemon is up, each once."""
    kills, broken = kill_often(times=3, together=3, seed=8)
    assert not broken and len(kills) == 3
    assert summary(kills)["told_to_a_client"] >= 3
    problems = [text for kill in kills for text in kill.problems]
    if {kill.verdict for kill in kills} == {"holds", "inconclusive"}:
        pytest.xfail(f"the machine stalled: {problems}")
    assert not problems
