"""Exit sensor, feeder, hopper, wheels and supply: what each failing looks like, and its own reaction."""

import pytest

from drillfeed.daemon.engine.events import FaultLatched, figures
from drillfeed.daemon.engine.leaving import DOUBLE_S, Leaving
from drillfeed.daemon.engine.schedule import Slot
from tests.support.halls import WatchedHall, drill_plan, machine

# In the hall the first ball of a drill leaves some six seconds after power-up.
FROM = "@7.5"
PLAN = drill_plan(sets=(9,))


def slot(n: int, leaves_s: float) -> Slot:
    """Return a ball that was to leave at a moment."""
    ball = PLAN.sets[0].balls[0]
    return Slot(n, n, ball, leaves_s - 0.12, leaves_s, leaves_s + 0.02, told=True, outcome="fed")


def pulses(leaving: Leaving, *at_s: float) -> list[str]:
    return [leaving.pulse(pulse_s)[0] for pulse_s in at_s]


def test_a_pulse_near_its_ball_is_seen() -> None:
    """One pulse for each push: seen, counted, no trouble."""
    leaving = Leaving()
    for n in range(5):
        leaving.expect(slot(n, 10.0 + n))
        assert pulses(leaving, 10.01 + n) == ["seen"]
    assert (leaving.count, leaving.trouble(False)) == (5, None)


def test_chatter_counts_once() -> None:
    """Pulses closer than a ball is long are one ball."""
    leaving = Leaving()
    leaving.expect(slot(1, 10.0))
    assert pulses(leaving, 10.0, 10.004, 10.008) == ["seen", "chatter", "chatter"]
    assert leaving.count == 1


def test_two_doubles_in_a_row_are_trouble() -> None:
    """A second ball soon after the first is a double feed; one is told, two in a row pause."""
    leaving = Leaving()
    leaving.expect(slot(1, 10.0))
    assert pulses(leaving, 10.0, 10.03) == ["seen", "double"]
    assert leaving.trouble(False) is None
    leaving.expect(slot(2, 11.0))
    assert pulses(leaving, 11.0, 11.03) == ["seen", "double"]
    assert leaving.count == 4
    assert "two balls came with one push" in (leaving.trouble(False) or "")
    leaving.forget_trouble()
    assert leaving.trouble(False) is None


def test_doubles_with_a_single_ball_between_are_no_trouble() -> None:
    """What counts is twice in a row."""
    leaving = Leaving()
    for n, more in enumerate((True, False, True, False)):
        leaving.expect(slot(n, 10.0 + n))
        pulses(leaving, 10.0 + n, *([10.03 + n] if more else []))
        assert leaving.trouble(False) is None


def test_pulses_without_a_push_cost_the_sensor_its_word() -> None:
    """After three of them `seen` is blank, nothing is expected of the sensor, and the run is not paused for it."""
    leaving = Leaving()
    leaving.expect(slot(1, 10.0))
    assert pulses(leaving, 10.0) == ["seen"]
    assert pulses(leaving, *(10.0 + DOUBLE_S + k for k in (1, 2, 3))) == ["stray", "stray", "stray"]
    assert (leaving.trusted, leaving.count) == (False, None)
    leaving.expect(slot(2, 20.0))
    leaving.expect(slot(3, 21.0))
    assert leaving.unseen(30.0) == []
    assert leaving.trouble(False) is None


@pytest.mark.parametrize(
    ("seen_before", "hopper_low", "words"),
    [(False, False, "blinded exit sensor"), (True, False, "jam"), (True, True, "hopper is empty")],
)
def test_no_ball_twice_in_a_row_is_trouble(seen_before: bool, hopper_low: bool, words: str) -> None:
    """Twice no pulse: the likeliest cause is named first, by what is known."""
    leaving = Leaving()
    if seen_before:
        leaving.expect(slot(0, 9.0))
        leaving.pulse(9.0)
    leaving.expect(slot(1, 10.0))
    leaving.unseen(12.0)
    assert leaving.trouble(hopper_low) is None
    leaving.expect(slot(2, 11.0))
    leaving.unseen(13.0)
    assert words in (leaving.trouble(hopper_low) or "")
    leaving.forget_trouble()
    assert leaving.trouble(hopper_low) is None


def ends(fault: str, sets: tuple[int, ...] = (9,), on: str = "club-build") -> WatchedHall:
    """Run a drill into a fault of the thrower; return the hall when it has ended, paused or stopped."""
    hall = WatchedHall(machine(on), faults=(fault,)).started(drill_plan(machine(on), sets=sets))
    assert hall.hall.until_state("PAUSED", "QUICKSTOP", "ARMED", max_s=60.0)
    hall.sound()
    return hall


@pytest.mark.parametrize(
    ("fault", "state", "words"),
    [
        ("feeder=stuck", "PAUSED", "seen leaving"),
        ("exits=stuck", "PAUSED", "seen leaving"),
        ("feeder=wrong", "PAUSED", "two balls came with one push"),
        ("top=off", "QUICKSTOP", "speed not readable"),
        ("top=garbage", "QUICKSTOP", "speed not readable"),
        ("bottom=intermittent:0.5", "QUICKSTOP", "speed not readable"),
        ("top=wrong:1.5", "QUICKSTOP", "top wheel"),
        ("top-drive=wrong:1.5", "QUICKSTOP", "top wheel"),
        ("top-drive=wrong:1.5", "QUICKSTOP", "faster than it is driven"),
        ("bottom-drive=off", "QUICKSTOP", "slower than it is driven"),
        ("bottom-drive=stuck", "QUICKSTOP", "bottom wheel"),
        ("top-drive=slow:2", "QUICKSTOP", "top wheel"),
        ("top-drive=wrong:1.05", "PAUSED", "3 balls in a row"),
        ("tilt-drive=stuck", "QUICKSTOP", "degrees, driven to 14.1"),
        ("tilt=stuck", "QUICKSTOP", "tilt at"),
        ("tilt-drive=wrong:1.1", "PAUSED", "3 balls in a row"),
    ],
)
def test_each_failing_has_its_own_end(fault: str, state: str, words: str) -> None:
    """A part of the thrower fails in mid-set: the run ends as it should, and says what was seen."""
    hall = ends(f"{fault}{FROM}")
    assert hall.state == state
    assert words in (hall.engine.parts.mode.reason or "")


@pytest.mark.parametrize("fault", ["exits=wrong:2", "exits=garbage", "supply=off", "tilt=off"])
def test_what_only_spoils_a_figure_lets_the_run_go_on(fault: str) -> None:
    """A sensor that only counts or shows is blanked, and every ball is thrown."""
    hall = ends(f"{fault}{FROM}")
    assert (hall.state, hall.commanded) == ("ARMED", 9)


def test_a_sensor_that_counts_wildly_is_blank_not_wrong() -> None:
    """A count that jumps with no push leaves `seen` blank."""
    hall = ends(f"exits=garbage{FROM}")
    assert hall.engine.parts.practice.run is not None
    assert hall.engine.parts.practice.run.seen is None


def test_a_low_supply_lets_the_set_finish_and_no_other_begin() -> None:
    """Supply low in mid-set: the set ends as planned; the rest waits; ready, arm and start are refused."""
    plan = drill_plan(sets=(3, 2), rest_s=5.0)
    hall = WatchedHall(faults=(f"supply=wrong:0.7{FROM}",)).started(plan)
    assert hall.hall.until_state("RESTING", max_s=30.0)
    assert hall.commanded == 3
    assert not hall.hall.until_state("SPINUP", max_s=20.0)
    assert hall.refused("ready") == "supply"
    hall.ok("disarm")
    assert hall.hall.until_state("IDLE", max_s=20.0)
    assert hall.refused("arm") == "supply"


def test_a_fault_takes_the_last_messages_along() -> None:
    """The record of a fault holds what came and went last, both ways, and the commands; notices don't."""
    hall = WatchedHall().feeding()
    hall.ok("balls 50")
    hall.lost = True
    assert hall.hall.until_state("QUICKSTOP")
    fault = next(told.event for told in hall.hall.events if isinstance(told.event, FaultLatched))
    recent = fault.recent.splitlines()
    assert 32 <= len(recent) <= 64
    assert any('to driver {"v":1,"kind":"setpoint"' in line for line in recent)
    assert all(line.startswith(("-", "+0.000")) for line in recent)
    assert fault.next_step and fault.hint
    assert "recent" not in figures(fault)
