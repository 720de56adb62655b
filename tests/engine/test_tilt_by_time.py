"""A tilt that is moved by time: it finds its stop in SPINUP alone, drifts as told, and moves nothing by itself."""

import math

import pytest

from drillfeed.clients.drivers.timed_tilt import TimedTilt
from drillfeed.daemon.drills.drill import with_balls
from drillfeed.daemon.engine.run_up import START_CUE_S
from drillfeed.daemon.library.loading import load_balls, load_drill, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.plan import DrillPlan, plan_drill
from drillfeed.daemon.planning.tilt_drift import drift_text, tilt_moves
from drillfeed.daemon.simulation import Simulation
from drillfeed.daemon.validation import InvalidFile, validate

SETS, BALLS, DRIFT_DEG = 2, 10, 0.4


def machine(drift_deg: float = DRIFT_DEG) -> Machine:
    """Return the shipped machine without sensors, its tilt moved by time."""
    kit = load_machine("kit-build")
    tilt = kit.tilt.model_copy(update={"by_time": True, "drift_deg_per_move": drift_deg})
    return kit.model_copy(update={"tilt": tilt, "scatter": kit.scatter.model_copy(update={"angle_deg": 0.0})})


def plan_for(thrower: Machine) -> DrillPlan:
    """Return two sets that mix three tilts, with a short rest between them."""
    drill = load_drill("mixed-spin-gentle")
    part = with_balls(drill, BALLS).set[0].model_copy(update={"rest_s": 12.0})
    mixed = drill.model_copy(update={"set": (part,) * SETS})
    return plan_drill(mixed, load_balls(), thrower, 4)


class Hall:
    """A practice in which state, asked and true tilt are kept at each look."""

    def __init__(self, thrower: Machine, seed: int = 1) -> None:
        self.machine, self.plan = thrower, plan_for(thrower)
        self.log: list[dict[str, object]] = []
        self.hall = Simulation(thrower, seed=seed, note=lambda event, t, /, **what: self.log.append({event: what}))
        self.seen: list[tuple[str, float, float]] = []

    def look(self) -> bool:
        state = self.hall.engine.state
        self.seen.append((state, self.hall.core.outputs.angles_deg.get("tilt", math.nan), self.hall.board.tilt_deg))
        return False

    def run(self, *until: str, max_s: float = 240.0) -> bool:
        """Go on until one of the states, looking at each tick."""

        def done() -> bool:
            self.look()
            return self.hall.engine.state in until

        return self.hall.run_until(done, max_s)

    def told(self, words: str) -> int:
        """Return how often something was told that has these words."""
        return sum(words in event.text for event in self.hall.events)


@pytest.fixture(scope="module")
def practised() -> Hall:
    """Return a whole practice of both sets."""
    hall = Hall(machine())
    assert hall.hall.start(hall.plan, balls=48).ok
    assert hall.run("RESTING")
    assert hall.run("SPINUP")
    assert hall.run("FEEDING")
    assert hall.run("ARMED")
    return hall


def test_it_stands_still_until_a_start_was_accepted() -> None:
    """At power-up, when connected and when armed the head stays where it is, wherever that is."""
    hall = Hall(machine())
    before = hall.hall.board.tilt_deg
    hall.hall.until_state("IDLE")
    hall.hall.run_until(lambda: hall.hall.engine.parts.at_rest(hall.hall.now_s)[0] is True, 60.0)
    hall.hall.say("balls 48")
    hall.hall.say(f"load {hall.plan.drill.name}", plan=hall.plan)
    hall.hall.say("arm")
    hall.run("SPINUP", max_s=3.0)
    assert hall.hall.engine.state == "ARMED"
    assert hall.hall.board.tilt_deg == before
    hall.hall.say(f"start {hall.hall.engine.parts.mode.stop_count}")
    hall.hall.run_for(START_CUE_S / 2)
    assert hall.hall.board.tilt_deg == before


def test_it_finds_the_stop_in_spinup_alone(practised: Hall) -> None:
    """Below the lower stop it is driven before each set, in SPINUP, and at no other moment; there the head stands."""
    low = practised.machine.tilt.low_deg
    below = [(state, true) for state, asked, true in practised.seen if asked < low - 0.5]
    assert below
    assert {state for state, _ in below} == {"SPINUP"}
    # From wherever it stood: at the end of the margin it is at the stop.
    deepest = [true for _, asked, true in practised.seen if asked <= practised.machine.tilt.home_deg + 0.01]
    assert deepest
    assert max(deepest) == low


def test_balls_leave_within_what_was_summed_up(practised: Hall) -> None:
    """Each ball's true tilt is off its setting by no more than three deviations of its moves since the stop."""
    left = [what for event in practised.log for name, what in event.items() if name == "leaves"]
    balls = [ball for part in practised.plan.sets for ball in part.balls]
    assert len(left) == len(balls) == SETS * BALLS
    play = practised.machine.tilt.play_deg / 2
    for place, (what, ball) in enumerate(zip(left, balls, strict=True)):
        moves = place % BALLS + 1
        assert isinstance(what, dict)
        assert abs(what["tilt_deg"] - ball.setting.tilt_deg) <= 3 * DRIFT_DEG * math.sqrt(moves) + play


def test_drift_is_told_and_mended_at_the_end_of_the_set(practised: Hall) -> None:
    """A set with more moves than a degree of drift allows: told once in it, homed before the next, never within."""
    tilt = practised.machine.tilt
    assert tilt.max_moves == 6
    assert tilt_moves(practised.plan.sets[0].balls) > tilt.max_moves
    assert practised.told("finds its stop before the next set") == SETS
    assert practised.told("the tilt finds its stop; first ball") == SETS
    assert drift_text(practised.machine, practised.plan.sets[0]) is not None


def test_without_drift_it_homes_once() -> None:
    """A tilt whose moves are exact finds its stop at the first start and not again."""
    hall = Hall(machine(drift_deg=0.0))
    assert hall.hall.start(hall.plan, balls=48).ok
    assert hall.run("RESTING")
    once = len([1 for _, asked, _ in hall.seen if asked < hall.machine.tilt.low_deg - 0.5])
    assert once
    assert hall.run("SPINUP")
    assert hall.run("FEEDING")
    assert len([1 for _, asked, _ in hall.seen if asked < hall.machine.tilt.low_deg - 0.5]) == once


def test_a_stop_ends_homing_where_it_is() -> None:
    """Stopped in mid-homing, the head goes no further, and the next start finds the stop anew."""
    hall = Hall(machine())
    assert hall.hall.start(hall.plan, balls=48).ok
    hall.hall.run_for(START_CUE_S + 1.0)
    hall.hall.say("stop")
    hall.hall.run_for(0.3)
    here = hall.hall.board.tilt_deg
    hall.hall.run_for(5.0)
    assert hall.hall.board.tilt_deg == here


def test_the_head_follows_and_the_stops_hold_it() -> None:
    """Down past the stop the head stays at it; on the way up it moves only once the output has passed the stop."""
    tilt = TimedTilt(0.0, 45.0, at_deg=30.0, told_deg=45.0, slip_deg=lambda: 0.0)
    for told in (40.0, 20.0, 10.0, 0.0, -3.0):
        tilt.follow(told)
    assert tilt.deg == 0.0
    for told in (-1.0, 0.0):
        tilt.follow(told)
    assert tilt.deg == 0.0
    tilt.follow(10.0)
    assert tilt.deg == 10.0
    slipping = TimedTilt(0.0, 45.0, at_deg=0.0, told_deg=0.0, slip_deg=lambda: 0.5)
    for told in (5.0, 10.0, 10.0, 5.0, 10.0):
        slipping.follow(told)
    assert slipping.deg == pytest.approx(11.5)  # three moves: up, down, up


def test_only_the_tilt_goes_by_time() -> None:
    """Drift without by_time, or a pan by time, is refused in the profile."""
    data = load_machine("kit-build").model_dump(exclude={"calibration", "trims"})
    data["tilt"]["drift_deg_per_move"] = 0.2
    with pytest.raises(InvalidFile, match="by_time"):
        validate(Machine, data, "profile")
    data["tilt"]["by_time"] = True
    assert validate(Machine, data, "profile").limits().tilt.low_deg == -1.0  # type: ignore[union-attr]
    data["pan"] = {"low_deg": -10, "high_deg": 10, "slew_deg_per_s": 20, "by_time": True}
    with pytest.raises(InvalidFile, match="pan"):
        validate(Machine, data, "profile")
