"""A refusal names the limit that is truly the one: lifting it makes the ball possible, and lifting less does not."""

from dataclasses import replace
from itertools import combinations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drillfeed.daemon.aim.aiming import aim
from drillfeed.daemon.aim.request import AimRequest, NoSolution
from drillfeed.daemon.aim.solve import solutions
from drillfeed.daemon.aim.thrower import Thrower, broken, thrower_of
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.physics.launch import head_spin

CLUB, KIT = thrower_of(load_machine("club-build")), thrower_of(load_machine("kit-build"))


def refused(thrower: Thrower, asked: AimRequest) -> NoSolution | None:
    """Return the refusal of a request, None where the machine can do it."""
    try:
        aim(thrower, asked)
    except NoSolution as refusal:
        return refusal
    return None


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([CLUB, KIT]),
    st.floats(-80, 80),
    st.floats(3.5, 19.0),
    st.floats(0.2, 1.35),
    st.sampled_from([None, None, "low", "high", "serve-wise"]),
)
@example(CLUB, 4.0, 19.0, 0.25, None)  # a lob past the widest tilt
@example(CLUB, 1.0, 9.0625, 0.25, "serve-wise")  # a serve-wise lob that lives within two degrees
def test_lifting_the_limits_named_makes_the_ball_possible(
    thrower: Thrower, spin: float, speed: float, depth: float, arc: str | None
) -> None:
    """Every limit named is needed: with all of them lifted there is a solution, with any fewer there is none."""
    asked = AimRequest(spin, speed_mps=speed, depth_m=depth, arc=arc)  # type: ignore[arg-type]
    refusal = refused(thrower, asked)
    if refusal is None or not refusal.limits:
        return
    assert solutions(thrower.lifted(*refusal.limits), asked)
    for fewer in range(len(refusal.limits)):
        for some in combinations(refusal.limits, fewer):
            assert not solutions(thrower.lifted(*some), asked)


@pytest.mark.parametrize(
    ("thrower", "asked", "limits", "words"),
    [
        (
            KIT,
            AimRequest(40.0, speed_mps=8.5, depth_m=1.1),
            ("max_rim",),
            "top rim at 13.7 m/s; this machine's rims reach 10.0",
        ),
        (KIT, AimRequest(-36.0, speed_mps=6.5, depth_m=1.0), ("max_rim",), "bottom rim at 11.1 m/s"),
        (CLUB, AimRequest(60.0, speed_mps=6.0, depth_m=1.0), ("reverse",), "do not reverse"),
        (CLUB, AimRequest(46.0, speed_mps=6.5, depth_m=1.0), ("grip",), "to grip it must keep 10%"),
        (KIT, AimRequest(15.0, speed_mps=6.2, depth_m=0.95, arc="high"), ("tilt_high",), "this machine tilts 2 to 40"),
        (KIT, AimRequest(-10.0, speed_mps=6.5, depth_m=0.8, placement_m=0.3), ("pan",), "this machine has no pan"),
        (CLUB, AimRequest(20.0, speed_mps=8.0, depth_m=1.0, roll_deg=90.0), ("roll",), "this machine has no roll"),
    ],
    ids=["rim", "rim of the bottom wheel", "reversing", "grip", "tilt", "pan", "roll"],
)
def test_limits_by_name(thrower: Thrower, asked: AimRequest, limits: tuple[str, ...], words: str) -> None:
    """Each limit that can stop a ball is named for what it is, with the figures."""
    refusal = refused(thrower, asked)
    assert refusal is not None
    assert refusal.limits == limits
    assert words in refusal.reason


@pytest.mark.parametrize(
    ("thrower", "differs"),
    [
        (CLUB, "sidespin 0 rev/s for 25 "),
        (replace(CLUB, roll_deg=(-60.0, 20.0)), "spin 34.5 rev/s for 30, sidespin 12.6 rev/s for 25 "),
    ],
    ids=["no roll", "too little roll"],
)
def test_too_much_lean_names_the_nearest_lean(thrower: Thrower, differs: str) -> None:
    """What is left about the head's axis where it leans as far as it can: 39.05 cos(39.81 - 20) at 20 degrees."""
    head = head_spin(30.0, 25.0)
    refusal = refused(thrower, AimRequest(head.revps, speed_mps=7.5, depth_m=1.05, roll_deg=head.roll_deg, arc="low"))
    assert refusal is not None and refusal.nearest is not None
    assert refusal.limits == ("roll",)
    assert refusal.nearest.differs.startswith(differs)
    assert refusal.nearest.solution.flight.depth_m == pytest.approx(1.05, abs=1e-3)


def test_what_no_machine_can_do_says_so() -> None:
    """A ball too slow to reach is refused without blaming the machine."""
    refusal = refused(CLUB, AimRequest(0.0, speed_mps=3.2, depth_m=1.2))
    assert refusal is not None
    assert refusal.limits == ()
    assert "no arc" in refusal.reason or "no legal ball" in refusal.reason


@settings(max_examples=20, deadline=None)
@given(st.sampled_from([CLUB, KIT]), st.floats(-70, 70), st.floats(4.0, 17.0), st.floats(0.4, 1.3))
def test_the_nearest_ball_is_one_the_machine_throws(thrower: Thrower, spin: float, speed: float, depth: float) -> None:
    """The nearest ball told is legal, within every limit of the machine, and lands on the player's half."""
    refusal = refused(thrower, AimRequest(spin, speed_mps=speed, depth_m=depth))
    if refusal is None:
        return
    assert refusal.nearest is not None
    s = refusal.nearest.solution
    assert s.flight.valid
    assert broken(thrower, s.speed_mps, s.spin_revps, s.tilt_deg, s.pan_deg, s.roll_deg) == ()
    assert refusal.nearest.differs in str(refusal)
