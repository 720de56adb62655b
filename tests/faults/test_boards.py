"""The table of boards: what each can take is told for each scenario, and why not, with no process started."""

import pytest

from drillfeed.daemon.library.loading import load_machine
from tests.faults.__main__ import NEEDS, SCENARIOS, chosen, listing
from tests.faults.boards import BOARDS, USUAL, WHY_NOT
from tests.faults.boards import NEEDS as APART


def test_every_row_names_a_scenario_and_the_usual_board_takes_all() -> None:
    """No row is left over from a scenario that is gone; the simulated thrower is spared nothing."""
    assert set(APART) <= set(NEEDS) == {scenario.name for scenario in SCENARIOS}
    assert set(NEEDS.values()) <= set(WHY_NOT)
    assert chosen((), BOARDS[USUAL]) == list(SCENARIOS)


@pytest.mark.parametrize("name", [name for name in BOARDS if name != USUAL])
def test_a_board_takes_the_drivers_half_and_says_why_not_the_rest(name: str) -> None:
    """Kills, freezes, bad links and stops are for every board; what it is spared is listed with the reason."""
    board = BOARDS[name]
    taken = {scenario.name for scenario in chosen((), board)}
    assert {"daemon-killed", "driver-frozen", "driver-deaf", "jitter-150", "garbage", "stop-in-flood"} <= taken
    told = dict(zip((scenario.name for scenario in SCENARIOS), listing(board), strict=True))
    for scenario in SCENARIOS:
        assert ("NOT HERE: " in told[scenario.name]) is (scenario.name not in taken)
    with pytest.raises(SystemExit, match="second-daemon is not for"):
        chosen(("second-daemon",), board)
    assert load_machine(board.machine).sensors.exit_sensor
