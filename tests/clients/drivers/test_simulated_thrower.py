"""The simulated thrower against closed forms, and that chance is all its own."""

import math
from dataclasses import replace

import numpy as np
import pytest

from drillfeed.clients.drivers.board import DriverTraits
from drillfeed.clients.drivers.faults import Fault, parse_fault
from drillfeed.clients.drivers.simulated import SimulatedThrower
from drillfeed.clients.drivers.traits import (
    FeederTraits,
    Landing,
    ReleaseState,
    ScatterTraits,
    ThrowerTraits,
    WheelTraits,
)
from drillfeed.clients.drivers.wheels import law_of, next_rpm, throw
from drillfeed.daemon.physics.launch import spin_parts
from drillfeed.protocol.link import AngleLimits, Limits, WheelLimits

BALL_KG, BALL_M = 2.70e-3, 0.020
LINK_WHEEL = WheelLimits(low_rpm=0, high_rpm=6000, up_rpm_per_s=4000, down_rpm_per_s=5000, quick_rpm_per_s=8000)
WHEEL = WheelTraits(diameter_m=0.060, inertia_kgm2=1e-4, high_rpm=6000, rise_rpm_per_s=5000, fall_rpm_per_s=8000)
COASTING = WheelTraits(0.060, 1e-4, high_rpm=3200, rise_rpm_per_s=2400, coast_tau_s=2.0, spin_down_s=8.0)
TRAITS = ThrowerTraits(
    driver=DriverTraits(
        name="simulated",
        limits=Limits(top=LINK_WHEEL, bottom=LINK_WHEEL, tilt=AngleLimits(low_deg=-30, high_deg=60, slew_deg_per_s=90)),
        feedback="measured",
        stopping="brake",
        spin_down_s=6.0,
        top_diameter_m=0.060,
        bottom_diameter_m=0.060,
        exit_sensor=True,
    ),
    top=WHEEL,
    bottom=WHEEL,
    feeder=FeederTraits("indexed", latency_s=0.12, spread_s=0.02, cycle_s=0.6),
    scatter=ScatterTraits(),
    hopper_balls=100,
    supply_v=24.0,
)


class Bench:
    """A thrower, the balls that flew, its log, and a clock."""

    def __init__(self, traits: ThrowerTraits = TRAITS, seed: int = 1, faults: tuple[Fault, ...] = ()) -> None:
        self.flown: list[ReleaseState] = []
        self.log: list[tuple[str, float, dict[str, object]]] = []
        self.now = 50.0
        rng = np.random.default_rng(seed)
        self.board = SimulatedThrower(traits, self._fly, spin_parts, rng, self.now, self._note, faults)

    def _fly(self, state: ReleaseState) -> Landing:
        self.flown.append(state)
        return Landing(valid=True)

    def _note(self, event: str, t: float, /, **what: object) -> None:
        self.log.append((event, t, what))

    def go(self, seconds: float, step_s: float = 0.005) -> None:
        for _ in range(round(seconds / step_s)):
            self.now += step_s
            self.board.read(self.now)

    def spin(self, top: float, bottom: float) -> "Bench":
        self.board.set_wheel("top", top)
        self.board.set_wheel("bottom", bottom)
        self.go(3.0)
        return self


def test_a_coasting_wheel_follows_the_coast_curve() -> None:
    """w(t) = (w0 + f) exp(-t/tau) - f with f = w_max / (exp(T/tau) - 1): textbook, exact to rounding; rest after T."""
    law = law_of(COASTING, 0.001)
    f = 3200 / math.expm1(8.0 / 2.0)
    rpm = 3200.0
    for step in range(1, 8001):
        rpm = next_rpm(rpm, 0.0, law, 1.0)
        if step % 1000 == 0 and step < 8000:
            assert rpm == pytest.approx((3200 + f) * math.exp(-step / 2000) - f, abs=1e-6)
    assert rpm == pytest.approx(0.0, abs=0.1)


def test_a_braked_wheel_falls_at_its_rate_and_a_motor_rises_at_its_own() -> None:
    """Away from the goal the speed changes by the motor's or the brake's rate, and rests on the goal in the end."""
    law = law_of(WHEEL, 0.001)
    rpm = 0.0
    for _ in range(500):
        rpm = next_rpm(rpm, 5000.0, law, 1.0)
    assert rpm == pytest.approx(2500.0)
    for _ in range(100):
        rpm = next_rpm(rpm, 0.0, law, 1.0)
    assert rpm == pytest.approx(1700.0)
    for _ in range(2000):
        rpm = next_rpm(rpm, 1000.0, law, 1.0)
    assert rpm == 1000.0


def test_a_wheel_reverses_through_rest() -> None:
    """From forward to backward the speed passes 0 and ends on the goal."""
    law = law_of(WHEEL, 0.001)
    seen = [500.0]
    for _ in range(1000):
        seen.append(next_rpm(seen[-1], -500.0, law, 1.0))
    assert 0.0 in seen and seen[-1] == -500.0


@pytest.mark.parametrize(("inertia", "speed", "spin"), [(1e-5, 0.892, 0.925), (1e-4, 0.988, 0.992)], ids=str)
def test_the_ball_takes_momentum_from_both_wheels(inertia: float, speed: float, spin: float) -> None:
    """v = u / (1 + m R^2 / (2 I)), spin's factor 1 / (1 + m R^2 / (3 I)); R 30 mm, figures derived to three places."""
    wheel = replace(WHEEL, inertia_kgm2=inertia)
    per_mps = 60 / (math.pi * 0.060)
    v, _, top, _ = throw(wheel, wheel, 10 * per_mps, 10 * per_mps, BALL_KG, BALL_M)
    assert v / 10 == pytest.approx(speed, abs=5e-4)
    assert top / per_mps == pytest.approx(v)
    _, revps, _, _ = throw(wheel, wheel, 12 * per_mps, 8 * per_mps, BALL_KG, BALL_M)
    assert revps / (4 / (4 * math.pi * BALL_M)) == pytest.approx(spin, abs=5e-4)


def test_momentum_is_kept_between_unlike_wheels() -> None:
    """m v = sum of I dW / R over both wheels, and 2/3 m r w = their difference, for two sizes and inertias."""
    top, bottom = WHEEL, replace(WHEEL, diameter_m=0.080, inertia_kgm2=3e-4)
    v, spin, top_after, bottom_after = throw(top, bottom, 3000, 1500, BALL_KG, BALL_M)
    turn = 2 * math.pi / 60
    j_top = 1e-4 * (3000 - top_after) * turn / 0.030
    j_bottom = 3e-4 * (1500 - bottom_after) * turn / 0.040
    assert BALL_KG * v == pytest.approx(j_top + j_bottom)
    assert 2 / 3 * BALL_KG * BALL_M * spin * 2 * math.pi == pytest.approx(j_top - j_bottom)


def test_a_ball_leaves_after_the_latency_from_the_wheels_of_that_instant() -> None:
    """The launch follows from the wheels when the ball leaves, not from what was asked, and both wheels dip."""
    bench = Bench().spin(2000, 1000)
    bench.board.feed_one(1)
    bench.board.set_wheel("top", 3000)
    pushed_s = bench.now
    bench.go(0.2)
    (event, left_s, what) = next(entry for entry in bench.log if entry[0] == "leaves")
    assert event == "leaves" and 0.10 <= left_s - pushed_s <= 0.14
    top = float(str(what["top_true_rpm"]))
    assert 2300 < top < 2800
    expected, spin, _, _ = throw(WHEEL, WHEEL, top, 1000, BALL_KG, BALL_M)
    assert bench.flown[0].speed_mps == pytest.approx(expected, abs=1e-3)
    assert bench.flown[0].spin_revps == pytest.approx(spin, abs=1e-2)


@pytest.mark.parametrize("roll_deg", [-40.0, 0.0, 30.0])
@pytest.mark.parametrize(("top", "bottom"), [(2000, 1000), (1000, 2000)], ids=["topspin", "backspin"])
def test_the_log_tells_topspin_and_sidespin_apart(top: float, bottom: float, roll_deg: float) -> None:
    """Of the wheels' spin s a head rolled by r makes topspin s cos r and sidespin s sin r: the axis turned by r."""
    lean = AngleLimits(low_deg=-60, high_deg=60, slew_deg_per_s=90)
    bench = Bench(replace(TRAITS, driver=replace(TRAITS.driver, limits=replace_roll(TRAITS.driver.limits, lean))))
    bench.board.set_angle("roll", roll_deg)
    bench.spin(top, bottom).board.feed_one(1)
    bench.go(0.2)
    what = next(what for event, _, what in bench.log if event == "leaves")
    _, spin, _, _ = throw(WHEEL, WHEEL, top, bottom, BALL_KG, BALL_M)
    told = [what["spin_revps"], what["side_revps"], what["roll_deg"]]
    along, across = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
    assert told == [pytest.approx(spin * along, abs=1e-3), pytest.approx(spin * across, abs=1e-3), roll_deg]
    assert "-0.0" not in map(str, told)
    assert bench.flown[0].spin_revps == pytest.approx(spin, abs=1e-3)


def replace_roll(limits: Limits, roll: AngleLimits) -> Limits:
    """Return the limits of a head that rolls."""
    return limits.model_copy(update={"roll": roll})


def test_every_ball_dips_the_wheels_and_they_recover() -> None:
    """Right after a ball a wheel is slower by the momentum law; a moment later it is back on its goal."""
    bench = Bench().spin(3000, 3000)
    bench.board.feed_one(1)
    while not bench.flown:
        bench.go(0.001, 0.001)
    assert bench.board.top_rpm == pytest.approx(3000 / (1 + BALL_KG * 0.030**2 / 2e-4), abs=5.0)
    bench.go(0.3)
    assert bench.board.top_rpm == 3000.0


def test_the_supply_sags_while_the_motors_push() -> None:
    """Under acceleration the voltage is lower, at speed it is what it was."""
    bench = Bench()
    bench.board.set_wheel("top", 5000)
    bench.go(0.3)
    pushing = bench.board.read(bench.now).supply_v
    bench.go(3.0)
    resting = bench.board.read(bench.now).supply_v
    assert pushing is not None and resting is not None and pushing < 23.5 and resting == 24.0


def test_tilt_slews_at_its_rate() -> None:
    """90 deg/s for a third of a second is 30 degrees."""
    bench = Bench()
    bench.board.set_angle("tilt", 45.0)
    bench.go(1 / 3, 1 / 300)
    assert bench.board.angles_deg["tilt"] == pytest.approx(30.0, abs=0.1)


def test_without_sensors_nothing_is_seen() -> None:
    """No feedback and no exit sensor: readings stay blank, whatever the wheels do."""
    driver = replace(TRAITS.driver, feedback="none", exit_sensor=False)
    bench = Bench(replace(TRAITS, driver=driver, supply_v=None, angle_seen=False)).spin(2000, 1000)
    reading = bench.board.read(bench.now)
    blank = reading.top_rpm, reading.bottom_rpm, reading.tilt_deg, reading.exits, reading.supply_v, reading.hopper
    assert blank == (None,) * 6


def test_an_empty_hopper_throws_nothing() -> None:
    """Pushes beyond the last ball are logged and throw none."""
    bench = Bench(replace(TRAITS, hopper_balls=2, hopper_seen=True, hopper_low_at=1)).spin(2000, 1000)
    for id in range(4):
        bench.board.feed_one(id)
        bench.go(1.0)
    assert bench.board.balls_left == 2 and bench.board.read(bench.now).hopper == "empty"
    assert [event for event, _, _ in bench.log] == ["leaves", "leaves", "push_empty", "push_empty"]


def test_a_crank_by_time_drifts_within_its_bound() -> None:
    """After n turns the moment of leaving is off by at most spread + n x error x turn, and by more than the spread."""
    feeder = FeederTraits("crank-timed", latency_s=0.35, spread_s=0.0, cycle_s=1.0, phase_error_per_turn=0.01)
    bench = Bench(replace(TRAITS, feeder=feeder)).spin(2000, 1000)
    off = []
    for id in range(60):
        pushed_s = bench.now
        bench.board.feed_one(id)
        bench.go(1.0)
        off.append(bench.flown[-1].at_s - pushed_s - 0.35)
        assert abs(off[-1]) <= (id + 1) * 0.01 + 0.002
    assert max(abs(x) for x in off) > 0.01


def test_a_push_before_the_last_has_ended_is_lost() -> None:
    """A feeder that is still busy pushes no second ball."""
    bench = Bench().spin(2000, 1000)
    bench.board.feed_one(1)
    bench.go(0.3)
    bench.board.feed_one(2)
    bench.go(0.5)
    assert bench.board.balls_left == 1 and "push_lost" in [event for event, _, _ in bench.log]


@pytest.mark.parametrize(
    ("kind", "after_s", "left"), [("indexed", 0.05, 1), ("crank-timed", 0.05, 0), ("crank-timed", 0.3, 1)]
)
def test_after_a_cut_a_ball_that_was_pushed_may_leave(kind: str, after_s: float, left: int) -> None:
    """An indexed push comes through; a crank cut early keeps its ball. What leaves is marked as after the cut."""
    latency_s = 0.12 if kind == "indexed" else 0.35
    feeder = FeederTraits(kind, latency_s, 0.0, 0.6)  # type: ignore[arg-type]
    bench = Bench(replace(TRAITS, feeder=feeder)).spin(2000, 1000)
    bench.board.feed_one(1)
    bench.go(after_s)
    bench.board.cut()
    bench.go(1.0)
    assert bench.board.balls_left == left
    assert [what["after_cut"] for event, _, what in bench.log if event == "leaves"] == [True] * left


@pytest.mark.parametrize(("after_s", "shift_s"), [(0.1, -0.1), (0.4, 0.6)], ids=["before the ball", "after it"])
def test_a_crank_cut_in_mid_turn_has_lost_its_phase_until_somebody_sets_it(after_s: float, shift_s: float) -> None:
    """What was left of the broken turn shifts every later ball; set by hand, with a full hopper, all is as before."""
    feeder = FeederTraits("crank-timed", latency_s=0.35, spread_s=0.0, cycle_s=1.0)
    bench = Bench(replace(TRAITS, feeder=feeder)).spin(2000, 1000)

    def latency_s(id: int) -> float:
        bench.board.feed_one(id)
        pushed_s = bench.now
        bench.go(2.0)
        return bench.flown[-1].at_s - pushed_s

    assert latency_s(1) == pytest.approx(0.35)
    bench.board.feed_one(2)
    bench.go(after_s)
    bench.board.cut()
    bench.go(2.0)
    assert latency_s(3) == pytest.approx(0.35 + shift_s, abs=0.002)
    bench.board.attend()
    bench.go(0.1)
    assert bench.board.hopper_balls == 100 and latency_s(4) == pytest.approx(0.35, abs=0.002)


def story(seed: int, step_s: float) -> list[tuple[float, float, float]]:
    """Throw five balls and return when and how each left."""
    scatter = ScatterTraits(speed_share=0.01, spin_share=0.02, angle_deg=0.3)
    bench = Bench(replace(TRAITS, scatter=scatter), seed)
    bench.spin(2500, 1500)
    for id in range(5):
        bench.board.feed_one(id)
        bench.go(1.0, step_s)
    return [(round(ball.at_s, 9), ball.speed_mps, ball.tilt_deg) for ball in bench.flown]


def test_same_seed_same_balls_other_seed_others() -> None:
    """The same seed gives the same balls, bit for bit, whatever the rhythm of reading; another seed gives others."""
    first = story(1, 0.005)
    assert story(1, 0.005) == first
    assert [ball[1:] for ball in story(1, 0.02)] == [ball[1:] for ball in first]
    assert story(2, 0.005) != first


def test_measured_speeds_scatter_about_the_truth() -> None:
    """The mean of a thousand readings is the true speed within three standard errors; they are not all alike."""
    bench = Bench().spin(3000, 3000)
    seen = []
    for _ in range(1000):
        bench.go(0.005)
        seen.append(bench.board.read(bench.now).top_rpm or math.nan)
    assert np.mean(seen) == pytest.approx(3000, abs=3 * 6 / math.sqrt(1000))
    assert np.std(seen) == pytest.approx(6, rel=0.15)


@pytest.mark.parametrize(
    ("text", "check"),
    [
        ("top=off", lambda seen: all(rpm is None for rpm in seen)),
        ("top=stuck", lambda seen: len(set(seen)) == 1),
        ("top=wrong:2", lambda seen: all(5800 < rpm < 6200 for rpm in seen)),
        ("top=garbage", lambda seen: any(math.isnan(rpm) for rpm in seen) and any(abs(rpm) > 1e5 for rpm in seen)),
        ("top=intermittent", lambda seen: None in seen and any(rpm is not None for rpm in seen)),
        ("bottom=off", lambda seen: all(2900 < rpm < 3100 for rpm in seen)),
        ("top=ok", lambda seen: all(2900 < rpm < 3100 for rpm in seen)),
    ],
)
def test_faults_bend_what_is_shown_and_not_what_is(text: str, check: object) -> None:
    """A faulty speed sensor shows something else while the wheel itself goes on as it did."""
    bench = Bench(faults=(parse_fault(text),)).spin(3000, 3000)
    seen = []
    for _ in range(100):
        bench.go(0.005)
        seen.append(bench.board.read(bench.now).top_rpm)
    assert callable(check) and check(seen)
    assert bench.board.top_rpm == 3000.0


def test_slow_and_delayed_channels_lag() -> None:
    """A delayed channel shows the past; a slow one is on its way."""
    for text, low, high in (("top=delayed:0.5", 900, 1300), ("top=slow:1.0", 200, 1500)):
        bench = Bench(replace(TRAITS, noise_share=0.0), faults=(parse_fault(text),))
        bench.board.set_wheel("top", 6000)
        bench.go(0.72)
        shown = bench.board.read(bench.now).top_rpm
        assert shown is not None and low < shown < high and bench.board.top_rpm > 3000


def test_a_dead_drive_stops_its_wheel_and_a_jammed_feeder_pushes_nothing() -> None:
    """Faults of outputs act on the thrower itself, from their moment on."""
    bench = Bench(faults=(parse_fault("bottom-drive=off@3"), parse_fault("feeder=stuck@3"))).spin(2000, 2000)
    bench.go(0.1)
    bench.board.set_wheel("bottom", 2000)
    bench.board.feed_one(1)
    bench.go(2.0)
    assert bench.board.bottom_rpm == 0.0 and bench.board.balls_left == 0
    double = Bench(faults=(parse_fault("feeder=wrong"),)).spin(2000, 2000)
    double.board.feed_one(1)
    double.go(1.0)
    assert double.board.balls_left == 2


@pytest.mark.parametrize("text", ["top", "top=", "top=odd", "side=off", "top=off@", "top=off@x", "top=off:-1"])
def test_a_fault_that_is_none_is_named(text: str) -> None:
    """A fault that cannot be read is refused with what was found and what is expected."""
    with pytest.raises(ValueError, match=r"expected|channels are"):
        parse_fault(text)
