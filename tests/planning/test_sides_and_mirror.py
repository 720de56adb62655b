"""Sides of a player's hand: resolved, mirrored, left out or refused."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.daemon.aim.thrower import launch_by, thrower_of
from drillfeed.daemon.calibration import Trim, Trims
from drillfeed.daemon.drills.drill import Drill, read_drill
from drillfeed.daemon.drills.players import Player, leftward_cm
from drillfeed.daemon.drills.sides import FOREHAND_CM, SIDES, split, swapped
from drillfeed.daemon.library.loading import load_balls, load_drill, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.planning.plan import DrillPlan, PlannedBall, plan_drill
from drillfeed.daemon.planning.setting import NotPossible, Setting
from tests.support.mirror import mirrored

BALLS = load_balls()
PAN, CLUB = load_machine("hall-pan"), load_machine("club-build")
RIGHT, LEFT = Player("right"), Player("left")
ANGLE = st.one_of(st.none(), st.floats(-30, 30, allow_nan=False))
SETTINGS = st.builds(
    Setting,
    st.floats(0, 5800),
    st.floats(0, 5800),
    st.floats(-30, 60),
    ANGLE,
    ANGLE,
    st.floats(0, 200),
    st.floats(0, 200),
)
BALL_NAMES = ("light-topspin", "light-push", "rally-topspin", "flat-block", "short-backspin-serve")
SIDED = st.builds("{} to {}".format, st.sampled_from(BALL_NAMES), st.sampled_from(SIDES))


def drill_of(balls: list[str], **more: object) -> Drill:
    part = {"balls": len(balls), "sequence": {"kind": "fixed", "balls": balls}}
    head = {"name": "sides", "title": "sides", "level": "club", "tempo_per_min": 30}
    return read_drill({**head, "set": [part], **more}, "a test")


def plan(drill: Drill, player: Player, seed: int = 1) -> DrillPlan:
    return plan_drill(drill, BALLS, PAN, seed, player=player)


def landing_left_cm(ball: PlannedBall, machine: Machine) -> float:
    """Fly a ball with the whole flight model; return how far left of the centre line it lands."""
    thrower = thrower_of(machine)
    pan_deg = ball.setting.pan_deg
    assert pan_deg is not None
    launch = launch_by(thrower, ball.speed_mps, ball.spin_revps, ball.setting.tilt_deg, pan_deg)
    landing = fly(launch, air=thrower.air, ball=thrower.ball).landing
    assert landing is not None
    return landing.y_m * 100


@given(SETTINGS)
def test_mirroring_twice_is_identity(setting: Setting) -> None:
    """Turned over and over again a setting is the same."""
    assert mirrored(mirrored(setting)) == setting


@given(SETTINGS)
def test_mirroring_turns_pan_and_roll_over_and_nothing_else(setting: Setting) -> None:
    """Topspin, speed, tilt and dips stay: only pan and the roll that makes sidespin change their sign."""
    other = mirrored(setting)
    assert replace(other, pan_deg=setting.pan_deg, roll_deg=setting.roll_deg) == setting
    for before, after in ((setting.pan_deg, other.pan_deg), (setting.roll_deg, other.roll_deg)):
        assert (before is None and after is None) or (before is not None and after == -before)


@settings(deadline=None, max_examples=60)
@given(st.lists(SIDED, min_size=1, max_size=6), st.integers(0, 1000), st.floats(-30, 30))
def test_a_drill_for_the_other_hand_is_the_mirrored_drill(balls: list[str], seed: int, elbow_cm: float) -> None:
    """For a left-handed player every ball is the mirrored one: same order, times, speed, spin and tilt."""
    right = plan(drill_of(balls), Player("right", elbow_cm), seed)
    left = plan(drill_of(balls), Player("left", elbow_cm), seed)
    for planned_set, other in zip(right.sets, left.sets, strict=True):
        assert other.interval_s == pytest.approx(planned_set.interval_s)
        assert [replace(b, setting=mirrored(b.setting)) for b in planned_set.balls] == list(other.balls)


@pytest.mark.parametrize("name", ["whole-table", "middle-then-a-wing", "two-and-two", "step-round", "one-each-side"])
def test_shipped_drills_with_sides_mirror(name: str) -> None:
    """The drills with sides that are shipped, variation and chance included, mirror for the other hand."""
    right, left = plan(load_drill(name), RIGHT, 5), plan(load_drill(name), LEFT, 5)
    for planned_set, other in zip(right.sets, left.sets, strict=True):
        assert [replace(b, setting=mirrored(b.setting)) for b in planned_set.balls] == list(other.balls)


def test_a_right_handed_forehand_is_on_the_throwers_left() -> None:
    """Facing the thrower a right-handed player has the forehand on the thrower's left, which pan counts as positive."""
    forehand = plan(drill_of(["light-topspin to forehand"]), RIGHT).sets[0].balls[0]
    assert forehand.setting.pan_deg is not None and forehand.setting.pan_deg > 5
    assert leftward_cm("forehand", RIGHT) == 40 and leftward_cm("forehand", LEFT) == -40
    assert leftward_cm("elbow", Player("left", 8)) == -8


@pytest.mark.parametrize("side", FOREHAND_CM)
@pytest.mark.parametrize("name", BALL_NAMES)
def test_balls_land_on_the_side_they_are_meant_for(name: str, side: str) -> None:
    """Flown with the whole flight model, a ball lands within a centimetre of its side, on the table."""
    ball = plan(drill_of([f"{name} to {side}"]), RIGHT).sets[0].balls[0]
    assert landing_left_cm(ball, PAN) == pytest.approx(FOREHAND_CM[side], abs=1.0)  # type: ignore[index]


@pytest.mark.parametrize("yaw_deg", [0.0, 3.0])
@pytest.mark.parametrize("left_cm", [10.0, -10.0])
@pytest.mark.parametrize("mention", ["light-push", "rally-topspin", "light-push to forehand", "flat-block to middle"])
def test_a_ball_trimmed_aside_lands_so_much_further_aside(mention: str, left_cm: float, yaw_deg: float) -> None:
    """Flown, it lands 10 cm further to that side, within 1 cm; only pan differs, tilt and wheels do not."""
    stands = PAN.model_copy(update={"opening": PAN.opening.model_copy(update={"yaw_deg": yaw_deg})})
    trims = Trims(trim=(Trim(ball=split(mention)[0], left_cm=left_cm),))
    trimmed = stands.model_copy(update={"trims": trims})
    before, after = (
        plan_drill(drill_of([mention]), BALLS, machine, 1).sets[0].balls[0] for machine in (stands, trimmed)
    )
    assert landing_left_cm(after, trimmed) - landing_left_cm(before, stands) == pytest.approx(left_cm, abs=1.0)
    assert replace(after.setting, pan_deg=before.setting.pan_deg) == before.setting


def test_a_trim_past_the_pan_is_refused_with_the_nearest() -> None:
    """An axis that turns 1 degree can't move a ball by 10 cm; the refusal says that it is the trim."""
    assert PAN.pan is not None
    narrow = {"pan": PAN.pan.model_copy(update={"low_deg": -1.0, "high_deg": 1.0})}
    machine = PAN.model_copy(update={**narrow, "trims": Trims(trim=(Trim(ball="light-push", left_cm=10.0),))})
    with pytest.raises(NotPossible, match="for its trim; this machine pans -1 to 1; nearest that works: 1 degrees"):
        plan_drill(drill_of(["light-push"]), BALLS, machine, 1)


def test_without_pan_sides_are_left_out_and_said_so() -> None:
    """Every ball goes down the middle, is told with no side, and the plan holds one line about it."""
    found = plan_drill(drill_of(["no-spin-steady to forehand", "light-topspin to forehand"]), BALLS, CLUB, 1)
    assert found.notes == ("sides are left out: club-build has no pan, every ball goes down the middle",)
    assert {(ball.side, ball.setting.pan_deg) for planned_set in found.sets for ball in planned_set.balls} == {
        (None, None)
    }


def test_a_drill_that_needs_sides_is_refused_without_pan() -> None:
    """The refusal names the sides, the machine, and what to do instead."""
    with pytest.raises(NotPossible) as caught:
        plan_drill(load_drill("step-round"), BALLS, CLUB, 1)
    assert str(caught.value) == (
        "it needs sides (backhand, wide-backhand, wide-forehand) and club-build has no pan; "
        "choose a drill that varies spin, depth or tempo instead"
    )


def test_a_side_past_the_pan_is_refused_with_the_nearest() -> None:
    """An axis that turns 5 degrees can't reach the wide forehand."""
    assert PAN.pan is not None
    narrow = PAN.model_copy(update={"pan": PAN.pan.model_copy(update={"low_deg": -5.0, "high_deg": 5.0})})
    with pytest.raises(
        NotPossible, match="for wide-forehand; this machine pans -5 to 5; nearest that works: 5 degrees"
    ):
        plan_drill(drill_of(["light-topspin to wide-forehand"]), BALLS, narrow, 1)


def test_a_thrower_that_stands_aside_pans_for_it() -> None:
    """Standing 20 cm to the left and turned 3 degrees to the left, the middle is to the right of straight on."""
    opening = PAN.opening.model_copy(update={"sideways_m": 0.20, "yaw_deg": 3.0})
    aside = PAN.model_copy(update={"opening": opening})
    ball = plan_drill(drill_of(["light-topspin to middle"]), BALLS, aside, 1).sets[0].balls[0]
    assert landing_left_cm(ball, aside) == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize(
    ("mention", "old", "new", "expected"),
    [
        ("light-push", "light-push", "flat-block", "flat-block"),
        ("light-push to forehand", "light-push", "flat-block", "flat-block to forehand"),
        ("light-push to forehand", "light-push to forehand", "flat-block", "flat-block"),
        ("light-push to forehand", "light-push to backhand", "flat-block", "light-push to forehand"),
        ("heavy-push", "light-push", "flat-block", "heavy-push"),
    ],
)
def test_swapping_a_ball_keeps_its_side(mention: str, old: str, new: str, expected: str) -> None:
    """A bare ball is meant on every side; a ball with a side is meant there alone."""
    assert swapped(mention, old, new) == expected


def test_a_mention_splits_into_ball_and_side() -> None:
    """A ball without a side has none."""
    assert split("light-push to wide-backhand") == ("light-push", "wide-backhand")
    assert split("light-push") == ("light-push", None)
