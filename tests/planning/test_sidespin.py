"""Sidespin of ball types: worked out, aimed, mirrored, left out or refused."""

import math
from dataclasses import replace

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from drillfeed.daemon.aim.thrower import ball_from, launch_by, rims_of, thrower_of
from drillfeed.daemon.calibration import Trim, Trims
from drillfeed.daemon.drills.balls import BallType, turned_over, without_sidespin
from drillfeed.daemon.drills.drill import Drill, read_drill
from drillfeed.daemon.drills.players import Player, for_player
from drillfeed.daemon.drills.sides import FOREHAND_CM, SIDES
from drillfeed.daemon.library.loading import load_balls, load_drill, load_machine
from drillfeed.daemon.machine import AngleAxis, Machine
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.record import Flight
from drillfeed.daemon.planning.plan import DrillPlan, PlannedBall, plan_drill
from drillfeed.daemon.planning.setting import NotPossible, Setting, bend_text, flight_for, setting_for
from tests.support.mirror import mirrored

BALLS = load_balls()
ROLL, PAN, CLUB = load_machine("hall-roll"), load_machine("hall-pan"), load_machine("club-build")
NO_PAN = ROLL.model_copy(update={"name": "roll-alone", "pan": None})
RIGHT, LEFT = Player("right"), Player("left")
BENT = ("forehand-side-topspin", "backhand-side-topspin", "forehand-side-push", "backhand-side-push")
SIDED = st.builds("{} to {}".format, st.sampled_from(BENT), st.sampled_from(SIDES))
TYPES = st.builds(
    BallType,
    name=st.just("a-ball"),
    title=st.just("a ball"),
    speed_mps=st.floats(5.0, 10.0),
    spin_revps=st.floats(-40.0, 50.0),
    side_revps=st.floats(-40.0, 40.0),
    depth_cm=st.floats(80.0, 125.0),
    level=st.just("club"),
)


def a_ball(spin_revps: float, side_revps: float, speed_mps: float = 7.5) -> BallType:
    return BallType(
        name="a-ball",
        title="a ball",
        speed_mps=speed_mps,
        spin_revps=spin_revps,
        side_revps=side_revps,
        tilt_deg=16.0,
        level="club",
    )


def rolling(low_deg: float, high_deg: float) -> Machine:
    return ROLL.model_copy(update={"roll": AngleAxis(low_deg=low_deg, high_deg=high_deg, slew_deg_per_s=60)})


def drill_of(balls: list[str], **more: object) -> Drill:
    part = {"balls": len(balls), "sequence": {"kind": "fixed", "balls": balls}}
    return read_drill(
        {"name": "bent", "title": "bent", "level": "club", "tempo_per_min": 30, "set": [part], **more}, ""
    )


def plan(balls: list[str], machine: Machine = ROLL, player: Player = RIGHT, **more: object) -> DrillPlan:
    return plan_drill(drill_of(balls, **more), BALLS, machine, 1, player=player)


def flown(setting: Setting, machine: Machine) -> Flight:
    """Fly what a setting throws, from its rpm and angles alone."""
    thrower = thrower_of(machine)
    speed, spin = ball_from(thrower, rims_of(thrower, setting.top_rpm, setting.bottom_rpm))
    launch = launch_by(thrower, speed, spin, setting.tilt_deg, setting.pan_deg or 0.0, setting.roll_deg or 0.0)
    return fly(launch, air=thrower.air, ball=thrower.ball)


def left_cm(flight: Flight) -> float:
    assert flight.landing is not None
    return 100 * flight.landing.y_m


@pytest.mark.parametrize("name", BENT)
def test_a_ball_type_leaves_with_its_two_spins(name: str) -> None:
    """About the axes across the way at launch a ball turns as its type says, topspin and sidespin, to 0.01 rev/s."""
    ball = BALLS[name]
    setting = replace(setting_for(ball, ROLL), pan_deg=0.0)
    tilt = math.radians(setting.tilt_deg)
    x, y, z = (part / (2 * math.pi) for part in flown(setting, ROLL).launch.spin_radps)
    assert y == pytest.approx(ball.spin_revps, abs=0.01)
    assert z * math.cos(tilt) - x * math.sin(tilt) == pytest.approx(ball.side_revps, abs=0.01)
    assert x * math.cos(tilt) + z * math.sin(tilt) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("yaw_deg", [0.0, 3.0])
@pytest.mark.parametrize("name", BENT)
def test_with_pan_a_bent_ball_lands_straight_on(name: str, yaw_deg: float) -> None:
    """Flown from rpm and angles it lands at its depth to 1 mm, and to 1 mm on the line that a plain ball flies along.

    It is panned against its bend to get there, and it has its sidespin still after the bounce.
    """
    opening = ROLL.opening.model_copy(update={"yaw_deg": yaw_deg, "sideways_m": 0.1})
    machine = ROLL.model_copy(update={"opening": opening})
    ball = BALLS[name]
    setting = setting_for(ball, machine)
    flight = flown(setting, machine)
    straight_m = 0.1 + (opening.behind_end_line_m + 1.37 + ball.depth_cm / 100) * math.tan(math.radians(yaw_deg))
    assert flight.depth_m == pytest.approx(ball.depth_cm / 100, abs=1e-3)
    assert left_cm(flight) == pytest.approx(100 * straight_m, abs=0.1)
    assert setting.pan_deg is not None and setting.pan_deg * ball.side_revps < -30
    assert flight.landing is not None
    assert flight.landing.side_after_revps == pytest.approx(ball.side_revps, rel=0.1)


@pytest.mark.parametrize("side", FOREHAND_CM)
@pytest.mark.parametrize("name", BENT)
def test_a_bent_ball_lands_on_the_side_it_is_meant_for(name: str, side: str) -> None:
    """Within a centimetre of its side, with all variations of speed and depth."""
    found = plan([f"{name} to {side}"] * 20, vary={"speed_mps": 0.3, "depth_cm": 8})
    assert len({ball.speed_mps for ball in found.sets[0].balls}) == 3
    for ball in found.sets[0].balls:
        assert left_cm(flown(ball.setting, ROLL)) == pytest.approx(FOREHAND_CM[side], abs=1.0)  # type: ignore[index]


def test_a_trim_to_the_side_moves_a_bent_ball() -> None:
    """Trimmed 10 cm to the left it lands 10 cm further left, within 1 cm; wheels, tilt and roll stay."""
    trimmed = ROLL.model_copy(update={"trims": Trims(trim=(Trim(ball=BENT[0], left_cm=10.0),))})
    before, after = setting_for(BALLS[BENT[0]], ROLL), setting_for(BALLS[BENT[0]], trimmed)
    assert left_cm(flown(after, ROLL)) == pytest.approx(10.0, abs=1.0)
    assert replace(after, pan_deg=before.pan_deg) == before


@pytest.mark.parametrize("name", BENT)
def test_without_pan_the_listing_tells_where_it_lands(name: str) -> None:
    """The centimetres told are those of the flight; a ball without sidespin and a machine with pan tell none."""
    at_cm = left_cm(flown(setting_for(BALLS[name], NO_PAN), NO_PAN))
    side = "left" if BALLS[name].side_revps > 0 else "right"
    note = (
        f"lands {abs(at_cm):.0f} cm {side} of the middle as the thrower sees it: roll-alone has no pan to aim its bend"
    )
    assert abs(at_cm) > 5
    assert bend_text(BALLS[name], NO_PAN) == note
    assert plan([name], NO_PAN).notes == (f"{name} {note}",)
    assert plan([f"{name} to forehand"], NO_PAN).notes == (
        "sides are left out: roll-alone has no pan, every ball without sidespin goes down the middle",
        f"{name} to forehand {note}",
    )
    assert bend_text(BALLS[name], ROLL) is None and bend_text(BALLS["light-push"], NO_PAN) is None


def test_a_drill_is_refused_where_the_head_does_not_roll() -> None:
    """The refusal names the balls, the machine, and what to do instead; so does that of the ball type alone."""
    with pytest.raises(NotPossible) as caught:
        plan_drill(load_drill("against-the-bend"), BALLS, PAN, 1)
    assert str(caught.value) == (
        "it needs sidespin (forehand-side-topspin, backhand-side-topspin) and hall-pan has no head that rolls; "
        'choose a drill without, or write sidespin = "wanted" into it: these balls then come without'
    )
    with pytest.raises(NotPossible) as caught:
        setting_for(BALLS["backhand-side-push"], CLUB)
    assert str(caught.value) == (
        "sidespin -18 rev/s needs a head that rolls; this machine's does not; "
        "nearest that works: -22 rev/s, no sidespin"
    )


def test_a_drill_may_let_its_sidespin_be_left_out() -> None:
    """Told in one line, the balls come down the middle with the rest of their figures, and tell no sidespin."""
    found = plan(["forehand-side-topspin", "light-push"], CLUB, sidespin="wanted")
    assert found.notes == (
        "sidespin is left out (forehand-side-topspin): club-build has no head that rolls, topspin is as written",
    )
    ball, push = found.sets[0].balls
    plain = without_sidespin(BALLS["forehand-side-topspin"])
    assert ball.setting == setting_for(plain, CLUB) and push.setting == setting_for(BALLS["light-push"], CLUB)
    assert (ball.speed_mps, ball.spin_revps, ball.side_revps) == (7.5, 30.0, 0.0)
    assert ball.title.endswith("without its sidespin") and push.title == BALLS["light-push"].title
    assert left_cm(flown(ball.setting, CLUB)) == pytest.approx(0.0, abs=1e-6)
    assert plan(["light-push"], CLUB, sidespin="wanted").notes == ()


def test_a_profile_whose_head_cannot_stand_upright_is_refused() -> None:
    """A ball without sidespin needs roll 0."""
    for low_deg, high_deg in ((5, 60), (-60, -5)):
        roll = {"low_deg": low_deg, "high_deg": high_deg, "slew_deg_per_s": 60}
        with pytest.raises(ValueError, match="needs the head upright"):
            Machine.model_validate({**ROLL.model_dump(), "roll": roll})
    assert Machine.model_validate(ROLL.model_dump()) == ROLL


def test_both_spins_together_keep_to_the_hard_bound() -> None:
    """Each below 150 rev/s is not enough: 120 and 100 make 156."""
    assert a_ball(120.0, 90.0).head.revps == pytest.approx(150.0)
    with pytest.raises(ValueError, match="150 rev/s at most together"):
        a_ball(120.0, 100.0)


SPINS = st.floats(-35.0, 35.0)


@settings(deadline=None, max_examples=60)
@given(SPINS, SPINS, st.floats(-90.0, -1.0), st.floats(1.0, 90.0))
@example(0.0, 20.0, -30.0, 30.0)  # sidespin alone on a head that can't lie down
@example(30.0, 25.0, -20.0, 20.0)
@example(-0.0625, 1.0, -85.0, 1.0)  # next to nothing is left
@example(0.0, 1.0, -1.0, 44.999999999999986)  # the nearest leans by 45 degrees
@example(0.0, -6.0, -89.5, 1.0)  # hardly any topspin is needed
def test_a_head_that_leans_too_little_names_the_nearest(top: float, side: float, low: float, high: float) -> None:
    """What is named can be thrown by this very head, and is the nearest that it throws but for its tenths (0.3 rev/s).

    The nearest spin on the line of the farthest lean misses by |spin| sin(what the lean is too much): geometry.
    """
    assume(side)
    machine, ball = rolling(low, high), a_ball(top, side, 8.0)
    try:
        setting = setting_for(ball, machine)
    except NotPossible as refusal:
        text = str(refusal)
    else:
        assert setting.roll_deg is not None and low <= setting.roll_deg <= high
        return
    assert f"this machine rolls {low:g} to {high:g}" in text
    near_top, _, near_side = text.split("nearest that works: ")[1].partition(" rev/s, side ")
    named = a_ball(float(near_top), float(near_side), 8.0)
    setting_for(named, machine)
    end_deg = high if ball.head.roll_deg > high else low
    missed = abs(ball.head.revps * math.sin(math.radians(ball.head.roll_deg - end_deg)))
    assert math.hypot(named.spin_revps - top, named.side_revps - side) == pytest.approx(missed, abs=0.3)


@settings(deadline=None, max_examples=40)
@given(st.floats(-80.0, 80.0), st.floats(-80.0, 80.0), st.integers(50, 90))
@example(40.0, 40.0, 60)  # each alone is possible, both are 56.6 rev/s
def test_too_much_of_both_spins_is_refused_with_the_nearest(top: float, side: float, tenths: int) -> None:
    """The wheels give both parts together; what is named has both in their proportion, and can be thrown."""
    assume(abs(side) > 0.01)
    machine = rolling(-90.0, 90.0)
    try:
        setting_for(a_ball(top, side, tenths / 10), machine)
    except NotPossible as refusal:
        text = str(refusal)
    else:
        return
    assert f"side {side:+g} at {tenths / 10:g} m/s needs the" in text
    near, _, speed = text.split("nearest that works: ")[1].partition(" at ")
    near_top, _, near_side = near.partition(" rev/s, side ")
    assert speed == f"{tenths / 10:.1f} m/s"
    named = a_ball(float(near_top), float(near_side), tenths / 10)
    setting_for(named, machine)
    share = math.hypot(named.spin_revps, named.side_revps) / math.hypot(top, side)
    assert share < 1.0
    assert (named.spin_revps, named.side_revps) == pytest.approx((share * top, share * side), abs=0.3)


@given(TYPES)
def test_a_ball_type_turned_over_twice_is_itself(ball: BallType) -> None:
    """Turned over, its sidespin alone changes its sign; how easy it counts stays; it is written for the right hand."""
    other = turned_over(ball)
    assert turned_over(other) == ball
    assert other.side_revps == -ball.side_revps
    assert other.model_copy(update={"side_revps": ball.side_revps}) == ball
    assert other.ease == ball.ease and other.head == (ball.head.revps, -ball.head.roll_deg)
    assert for_player(ball, RIGHT) == ball and for_player(ball, LEFT) == other


@settings(deadline=None, max_examples=40)
@given(TYPES)
def test_the_setting_of_a_ball_turned_over_is_the_mirrored_one(ball: BallType) -> None:
    """Wheels, tilt and dips are the same, pan and roll turned over; a ball is refused on both sides or on none.

    Angles to the thousandth of a degree that they are rounded to; the flights are each other's images to 0.1 mm.
    """
    try:
        setting = setting_for(ball, ROLL)
    except NotPossible:
        with pytest.raises(NotPossible):
            setting_for(turned_over(ball), ROLL)
        return
    other = setting_for(turned_over(ball), ROLL)
    image = mirrored(setting)
    assert replace(other, pan_deg=image.pan_deg, tilt_deg=image.tilt_deg) == image
    assert (other.pan_deg, other.tilt_deg) == pytest.approx((image.pan_deg, image.tilt_deg), abs=0.00101)
    here, there = flight_for(ball, ROLL), flight_for(turned_over(ball), ROLL)
    assert here.landing is not None and there.landing is not None
    assert (there.landing.x_m, -there.landing.y_m) == pytest.approx((here.landing.x_m, here.landing.y_m), abs=1e-4)
    after = (here.landing.spin_after_revps, -here.landing.side_after_revps)
    assert (there.landing.spin_after_revps, there.landing.side_after_revps) == pytest.approx(after, abs=0.01)


def image_of(ball: PlannedBall) -> PlannedBall:
    """Return a planned ball with pan, roll and sidespin turned over."""
    return replace(ball, setting=mirrored(ball.setting), side_revps=-ball.side_revps if ball.side_revps else 0.0)


@settings(deadline=None, max_examples=40)
@given(st.lists(SIDED | st.sampled_from(BENT), min_size=1, max_size=5), st.floats(-30, 30))
def test_a_drill_for_the_other_hand_is_the_mirrored_drill(balls: list[str], elbow_cm: float) -> None:
    """Same order, times, speed, topspin, tilt and wheels; pan, roll and sidespin turned over; twice is the plan itself.

    Pans to the thousandth of a degree that they are rounded to.
    """
    right, left = (plan(balls, ROLL, Player(hand, elbow_cm)) for hand in ("right", "left"))
    for planned_set, other in zip(right.sets, left.sets, strict=True):
        assert other.interval_s == pytest.approx(planned_set.interval_s)
        for ball, mate in zip(planned_set.balls, other.balls, strict=True):
            assert image_of(image_of(ball)) == ball
            image = image_of(ball)
            assert mate.setting.pan_deg == pytest.approx(image.setting.pan_deg, abs=0.00101)
            assert replace(mate, setting=replace(mate.setting, pan_deg=image.setting.pan_deg)) == image


def test_the_shipped_drill_mirrors() -> None:
    """What bends to a right-handed player's forehand bends to a left-handed one's."""
    drill = load_drill("against-the-bend")
    right, left = (plan_drill(drill, BALLS, ROLL, 5, player=player) for player in (RIGHT, LEFT))
    for planned_set, other in zip(right.sets, left.sets, strict=True):
        assert [image_of(ball) for ball in planned_set.balls] == list(other.balls)
    first = right.sets[1].balls[0]
    assert first.ball == "forehand-side-topspin" and first.side_revps == 25 and first.setting.roll_deg == 39.806
