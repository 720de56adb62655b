"""A ball type is fitted to a machine within its tolerance, and says what was bent."""

import json
from itertools import product

import numpy as np
import pytest

from drillfeed.daemon.aim.aiming import ways
from drillfeed.daemon.aim.fit import Bent, Intent, fit
from drillfeed.daemon.aim.thrower import rim_limits
from drillfeed.daemon.calibration import Trim, Trims
from drillfeed.daemon.drills.balls import BallType, read_balls, turned_over
from drillfeed.daemon.drills.drill import Drill
from drillfeed.daemon.drills.drill import read_drill as drill_from
from drillfeed.daemon.library.loading import load_balls, load_machine
from drillfeed.daemon.listing import listing
from drillfeed.daemon.machine import USUAL_SAG_SHARE, Machine
from drillfeed.daemon.physics.thrower import RimLimits, Rims, broken_limit, within_limits
from drillfeed.daemon.planning.fitting import _apex_span, _fit, _is_good, _with_margin, fitted
from drillfeed.daemon.planning.plan import plan_drill
from drillfeed.daemon.planning.setting import NotPossible, setting_for
from tests.planning.random_machines import faults_of, library_text, random_machine
from tests.support.independent import landed

BALLS = load_balls()
CLUB, KIT, SHED, ROLL = (load_machine(name) for name in ("club-build", "kit-build", "shed-build", "hall-roll"))
CI_MACHINES = 3


def possible(machine: Machine) -> list[str]:
    """Return the names of the ball types that a machine throws, as written or fitted."""
    return [entry.name for entry in listing("balls", machine, None) if entry.possible]


def drill_of(*balls: str, **more: object) -> Drill:
    """Return a drill of one set that throws some balls in turn."""
    part = {"balls": 8, "sequence": {"kind": "fixed", "balls": balls}}
    return drill_from({"name": "d", "title": "d", "level": "club", "tempo_per_min": 20, "set": [part], **more}, "d")


@pytest.mark.parametrize("name", [name for name in BALLS if not BALLS[name].side_revps])
def test_a_strong_machine_throws_every_ball_as_written(name: str) -> None:
    """Fitting bends nothing that need not be bent: the ball type comes back itself."""
    found = fitted(BALLS[name], CLUB)
    assert (found.ball, found.text) == (BALLS[name], "")


def test_a_bent_ball_is_nearest_and_says_so() -> None:
    """The text gives the figures thrown, the title carries it, and the name stays."""
    found = fitted(BALLS["light-topspin"], SHED)
    assert found.text == "fitted: 6.3 m/s +16 rev/s"
    assert (found.ball.name, found.ball.title) == ("light-topspin", f"light topspin, {found.text}")
    assert (found.ball.speed_mps, found.ball.spin_revps, found.ball.depth_cm) == (6.3, 16.0, 100.0)


def test_beyond_the_tolerance_a_ball_is_refused_with_the_nearest() -> None:
    """The refusal names the limit, the nearest ball as ever, and how far the type may be bent."""
    with pytest.raises(NotPossible) as refused:
        fitted(BALLS["rally-topspin"], SHED)
    assert str(refused.value) == (
        "spin +40 rev/s at 8.5 m/s needs the top rim at 13.8 m/s; this machine's rims reach 9.0; nearest that works: "
        "+2.0 rev/s at 8.5 m/s; beyond what this type may be bent: speed 1 m/s, spin 30% or 3 rev/s, depth 15 cm"
    )


def test_the_wheels_keep_a_margin_for_the_battery() -> None:
    """No ball of the simplest machine needs more than 95 % of its rims; without sag the same ball is bent less."""
    max_mps = rim_limits(SHED).max_mps
    for name in possible(SHED):
        setting = setting_for(fitted(BALLS[name], SHED).ball, SHED)
        fastest = max(SHED.top.rim_mps(setting.top_rpm), SHED.bottom.rim_mps(setting.bottom_rpm))
        assert fastest <= 0.95 * max_mps + 1e-6, name
    mains = {"sag_share": 0.0}
    full = SHED.model_copy(
        update={"top": SHED.top.model_copy(update=mains), "bottom": SHED.bottom.model_copy(update=mains)}
    )
    fast, slow = (fitted(BALLS["light-topspin"], machine).ball for machine in (full, SHED))
    assert (fast.speed_mps, fast.spin_revps) > (slow.speed_mps, slow.spin_revps)


def test_a_profile_that_says_nothing_of_its_battery_gets_the_house_margin() -> None:
    """5 % where nothing measures the wheels, none where their speed is held; the profile's own figure counts first."""
    assert (CLUB.sag_share, KIT.sag_share, SHED.sag_share) == (0.0, 0.0, 0.05)
    silent = {"sag_share": None}
    kit = KIT.model_copy(
        update={"top": KIT.top.model_copy(update=silent), "bottom": KIT.bottom.model_copy(update=silent)}
    )
    assert kit.sag_share == USUAL_SAG_SHARE


def test_the_simplest_machine_throws_at_least_fifteen_types() -> None:
    """Each clears the net by 8 cm and lands on the table, by momentum and scipy's integrator alone."""
    names = possible(SHED)
    assert len(names) >= 15
    for name in names:
        found = landed(SHED, setting_for(fitted(BALLS[name], SHED).ball, SHED))
        assert found.clearance_m >= 0.08 and 0.3 < found.depth_m < 1.3 and found.own_half == 0, (name, found)


def test_fitting_keeps_what_must_reach_the_bat() -> None:
    """On every shipped machine each type arrives with the kind of spin that it promises (by the second way)."""
    spans = {"backspin": (-99.0, -2.9), "no-spin": (-4.1, 4.1), "topspin": (9.9, 99.0)}
    checked = 0
    for machine in (CLUB, KIT, SHED):
        names = possible(machine)
        for ball in BALLS.values():
            if ball.arrives is None or ball.name not in names:
                continue
            low, high = spans[ball.arrives]
            spin = landed(machine, setting_for(fitted(ball, machine).ball, machine)).spin_after_revps
            assert low <= spin <= high, (machine.name, ball.name, spin)
            checked += 1
    assert checked > 15


def test_a_light_push_is_not_dead_at_the_bat() -> None:
    """It arrives with 8 rev/s of backspin or more, and a heavy push with at least 8 more."""
    light, heavy = (
        landed(CLUB, setting_for(BALLS[name], CLUB)).spin_after_revps for name in ("light-push", "heavy-push")
    )
    assert light <= -8 and heavy <= light - 8


def test_random_machines_are_fitted_within_tolerance_and_always_alike() -> None:
    """A few machines of what `python -m tests.planning.random_machines` does with 500."""
    rng = np.random.default_rng(7)
    for _ in range(CI_MACHINES):
        machine = random_machine(rng)
        assert library_text(machine) == library_text(machine)
        for ball in BALLS.values():
            try:
                found = fitted(ball, machine)
            except NotPossible:
                continue
            assert not list(faults_of(ball, found, machine)), (ball.name, found.text)


def test_no_nearer_ball_of_the_lattice_is_possible() -> None:
    """Where the tilt is what limits, every ball that is clearly nearer is tried by its whole flight; none is good.

    Depths are tried at every other cm; 0.02 of a squared tolerance is what is meant by clearly.
    """
    low_head = SHED.model_copy(update={"tilt": SHED.tilt.model_copy(update={"high_deg": 40.5})})
    ball, thrower = BALLS["half-lob"], _with_margin(low_head)
    found = fitted(ball, low_head).ball
    assert found != ball and found.depth_cm is not None
    intent = Intent(5.7, -3.0, 1.05, "high", 1.0, 3.0, 0.15, 0.08, _apex_span(ball))

    def far(speed_mps: float, spin_revps: float, depth_m: float) -> float:
        return float(intent.far(np.array([speed_mps]), np.array([spin_revps]), depth_m)[0])

    best, nearer = far(found.speed_mps, found.spin_revps, found.depth_cm / 100), 0
    for speed, spin, depth in product(range(-4, 5), range(-3, 4), range(-15, 16, 2)):
        bent = Bent(round(5.7 + speed / 10, 4), -3.0 + spin, round(1.05 + depth / 100, 4))
        if far(bent.speed_mps, bent.spin_revps, bent.depth_m) < best - 0.02:
            nearer += 1
            assert not _is_good(ball, thrower, intent, bent), bent
    assert nearer > 20


def test_a_file_gives_its_tolerances_and_a_ball_its_own() -> None:
    """A figure of the ball counts before the file's, and the file's before ours."""
    ball = {"name": "a", "title": "a", "speed_mps": 7, "spin_revps": 18, "depth_cm": 100, "level": "club"}
    own = {**ball, "name": "b", "tolerance": {"depth_cm": 5}}
    data = {"tolerance": {"speed_mps": 0.1, "depth_cm": 9}, "ball": [ball, own]}
    found = {name: kind.tolerance for name, kind in read_balls(data, "f").items()}
    assert (found["a"].speed_mps, found["a"].depth_cm, found["a"].spin_share) == (0.1, 9.0, 0.30)
    assert (found["b"].speed_mps, found["b"].depth_cm) == (0.1, 5.0)
    with pytest.raises(NotPossible, match=r"beyond what this type may be bent: speed 0\.1 m/s"):
        fitted(read_balls(data, "f")["a"], SHED)


def test_a_ball_given_by_its_tilt_is_thrown_as_written_or_not_at_all() -> None:
    """Its tilt is its intent, so there is nothing to bend."""
    by_tilt = BallType(name="t", title="t", speed_mps=7, spin_revps=18, tilt_deg=20, level="club")
    assert fitted(by_tilt, CLUB).ball is by_tilt
    with pytest.raises(NotPossible, match=r"needs the top rim at 9\.4 m/s") as refused:
        fitted(by_tilt, SHED)
    assert "bent" not in str(refused.value)


def test_a_trim_does_not_change_the_fit() -> None:
    """A trim moves the landing of the fitted ball and leaves its speed and spin."""
    trimmed = SHED.model_copy(update={"trims": Trims(trim=(Trim(ball="light-topspin", long_cm=10.0),))})
    assert fitted(BALLS["light-topspin"], trimmed).ball == fitted(BALLS["light-topspin"], SHED).ball
    before, after = (landed(m, setting_for(fitted(BALLS["light-topspin"], m).ball, m)) for m in (SHED, trimmed))
    assert after.depth_m - before.depth_m == pytest.approx(0.10, abs=1e-3)


def test_sidespin_is_bent_with_the_topspin_and_mirrored() -> None:
    """On a rolling head with slow wheels both parts shrink alike, and the left hand gets the mirror image."""
    slow = {"high_rpm": 3000.0}
    machine = ROLL.model_copy(
        update={"top": ROLL.top.model_copy(update=slow), "bottom": ROLL.bottom.model_copy(update=slow)}
    )
    ball = BALLS["forehand-side-push"]
    found, mirrored = fitted(ball, machine), fitted(turned_over(ball), machine)
    assert found.text and found.ball.side_revps / found.ball.spin_revps == pytest.approx(18 / -22, abs=0.002)
    assert mirrored.ball.side_revps == -found.ball.side_revps
    assert mirrored.ball.speed_mps == found.ball.speed_mps


def test_two_types_that_fitting_makes_one_can_not_share_a_drill() -> None:
    """The drill says which machine can't tell which types any more, and what it throws for both."""
    plan_drill(drill_of("light-push"), BALLS, SHED, 1)
    with pytest.raises(NotPossible) as refused:
        plan_drill(drill_of("light-push", "gentle-backspin"), BALLS, SHED, 1)
    assert "shed-build can't tell light-push from gentle-backspin any more" in str(refused.value)
    plan_drill(drill_of("light-push", "gentle-backspin"), BALLS, CLUB, 1)


def test_the_plan_keeps_what_was_bent() -> None:
    """Each ball of the plan has the text, and the notes have one line for each type."""
    found = plan_drill(drill_of("no-spin-steady", "light-topspin"), BALLS, SHED, 1)
    assert {(ball.ball, ball.fitted) for ball in found.sets[0].balls} == {
        ("no-spin-steady", ""),
        ("light-topspin", "fitted: 6.3 m/s +16 rev/s"),
    }
    assert "light-topspin, fitted: 6.3 m/s +16 rev/s" in found.notes


def test_a_listing_has_what_was_bent_as_a_field() -> None:
    """For programs the text stands by itself; null where the ball is as written."""
    found = {entry.name: json.loads(json.dumps(entry.as_json())) for entry in listing("balls", SHED, None)}
    assert found["light-topspin"]["fitted"] == "fitted: 6.3 m/s +16 rev/s"
    assert found["no-spin-steady"]["fitted"] is None


def test_nothing_is_looked_for_if_no_pair_suits_the_wheels() -> None:
    """Far too fast a ball is refused from the wheels alone: no flight is computed."""
    tried = []
    intent = Intent(12.0, 60.0, 1.1, "low", 1.0, 18.0, 0.15, 0.08)
    assert fit(_with_margin(SHED), intent, lambda bent: bool(tried.append(bent))) is None
    assert not tried


@pytest.mark.parametrize("reverses", [False, True])
def test_many_rims_are_judged_as_one_is(reverses: bool) -> None:
    """The batch agrees with `broken_limit` for every pair of a grid, also at the limits themselves."""
    limits = RimLimits(max_mps=9.0, min_mps=0.5, reverses=reverses, grip_share=0.1)
    speeds = np.array([-9.5, -9.0, -5.0, -0.5, -0.4, 0.0, 0.4, 0.5, 0.9, 1.0, 4.0, 8.9, 9.0, 9.1])
    top, bottom = (axis.ravel() for axis in np.meshgrid(speeds, speeds))
    single = [broken_limit(Rims(float(a), float(b)), limits) is None for a, b in zip(top, bottom, strict=True)]
    assert within_limits(top, bottom, limits).tolist() == single


def test_the_same_machine_gets_the_same_fit_whatever_was_fitted_before() -> None:
    """Nothing kept from other machines or balls changes a byte."""
    first = library_text(SHED)
    library_text(KIT)
    assert library_text(SHED) == first
    assert ways.cache_info().currsize and _fit.cache_info().currsize
