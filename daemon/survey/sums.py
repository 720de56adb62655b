"""Sums from what a builder reads off a ruler, a stopwatch, a video, a scale or a protractor, with how far off each is.

Rule of this file: pure functions. Each returns a value with its plus-minus, in which nineteen in twenty true values
lie; errors of different readings add as squares (textbook: first-order propagation).
"""

import math
from typing import NamedTuple

from scipy.optimize import brentq

FRAME_ERROR = 1.0  # a count of frames is off by one at most
COUNT_ERROR = 0.5  # turns: which half of a turn the count began and ended in
DISC_SHARE, DISC_SHARE_ERROR = 0.65, 0.25  # of m r^2: a disc 0.5, a ring 1.0; where a wheel lies between is not told
MAX_COAST_CONSTANT_S = 60.0


class Figure(NamedTuple):
    """Hold a value and its plus-minus, both in the unit of the key."""

    value: float
    plus_minus: float


def rpm_of_frames(turns: float, frames: float, fps: float) -> Figure:
    """Return the rpm of a wheel whose mark makes `turns` turns in `frames` frames of a video."""
    rpm = 60.0 * turns * fps / frames
    return Figure(rpm, rpm * FRAME_ERROR / frames)


def frames_per_turn(turns: float, frames: float) -> float:
    """Return how many frames a turn takes; below 3 a mark may seem to turn slower than it does, or backwards."""
    return frames / turns


def diameter_of_round(round_mm: float, plus_minus_mm: float) -> Figure:
    """Return a wheel's diameter from a strip of paper laid around it."""
    return Figure(round_mm / math.pi, plus_minus_mm / math.pi)


def run_up_mps2(rim_mps: float, half_s: float, full_s: float, plus_minus_s: float) -> Figure:
    """Return the rate in m/s^2 that a wheel keeps all the way up, from three points: at rest, half speed, full speed.

    A motor pulls less the faster it turns, so the slower of both halves counts.
    """
    slower_s = max(half_s, full_s - half_s)
    rate = rim_mps / 2.0 / slower_s
    return Figure(rate, rate * min(plus_minus_s * math.sqrt(2.0) / slower_s, 0.9))


def coast_constant_s(half_s: float, rest_s: float, plus_minus_s: float) -> Figure:
    """Return the time constant of a coasting wheel from three points: full speed at 0, half speed, and rest.

    w(t) = (w0 + f) exp(-t/tau) - f is w0 at 0, w0/2 at `half_s` and 0 at `rest_s` (viscous and dry friction, textbook).
    With a = rest_s / tau: expm1(a (1 - half_s/rest_s)) = expm1(a) / 2. Dry friction alone halves the speed in half of
    the time; then the constant has no upper end and the longest that a profile takes stands for it.
    """

    def constant(half: float) -> float:
        share = half / rest_s
        low, high = rest_s / MAX_COAST_CONSTANT_S, 200.0

        def off(a: float) -> float:
            # Divided by exp(a), so that a large `a` does not overflow.
            return (math.exp(-a * share) - math.exp(-a)) + 0.5 * math.expm1(-a)

        if off(low) <= 0.0:
            return MAX_COAST_CONSTANT_S
        if off(high) >= 0.0:
            return rest_s / high
        return rest_s / float(brentq(off, low, high))

    found = constant(half_s)
    beside = [constant(max(half_s + sign * plus_minus_s, 1e-3 * rest_s)) for sign in (-1.0, 1.0)]
    return Figure(found, max(abs(beside[0] - found), min(abs(beside[1] - found), found)))


def per_minute(turns: float, seconds: float) -> Figure:
    """Return turns (or balls) a minute from a count over some seconds."""
    rate = 60.0 * turns / seconds
    return Figure(rate, 60.0 * COUNT_ERROR / seconds)


def phase_error(degrees: tuple[float, ...], turns: float) -> Figure:
    """Return the share of a turn that a crank drifts in each turn, from how far it stood off its mark after `turns`."""
    shares = [abs(off) / 360.0 / turns for off in degrees]
    mean = sum(shares) / len(shares)
    return Figure(mean, max(max(shares) - min(shares), mean / math.sqrt(len(shares))))


def degrees_per_second(low_deg: float, high_deg: float, seconds: float, plus_minus_s: float) -> Figure:
    """Return how fast an actuator tilts, from its time between both stops and the angles there."""
    rate = (high_deg - low_deg) / seconds
    return Figure(rate, rate * plus_minus_s / seconds)


def drift_per_move(off_deg: float, moves: float, plus_minus_deg: float) -> Figure:
    """Return by how much one move by time is off, if moves differ by chance and sum up as squares: off / sqrt(moves).

    One trial tells a deviation to about three quarters of itself (chi distribution of one degree of freedom, textbook).
    """
    found = off_deg / math.sqrt(moves)
    return Figure(found, math.hypot(0.75 * found, plus_minus_deg / math.sqrt(moves)))


def sag_of(full_v: float, empty_v: float, plus_minus_v: float) -> Figure:
    """Return the share of its highest speed that a wheel loses from a full to an empty battery.

    At steady speed a brushed motor's speed rises with its voltage (textbook).
    """
    return Figure(1.0 - empty_v / full_v, math.hypot(plus_minus_v, plus_minus_v) / full_v)


def latency_of_frames(frames: tuple[float, ...], fps: float) -> tuple[Figure, Figure]:
    """Return the time from push to ball out in seconds, and how far it may differ either way, from several videos."""
    seconds = [count / fps for count in frames]
    mean, frame_s = sum(seconds) / len(seconds), FRAME_ERROR / fps
    spread_s = max(max(abs(one - mean) for one in seconds), frame_s)
    return Figure(mean, spread_s), Figure(spread_s, spread_s / math.sqrt(len(seconds)) + frame_s)


def inertia_kgm2(mass_g: float, diameter_mm: float) -> Figure:
    """Return a wheel's moment of inertia from its mass on a kitchen scale and its diameter."""
    m_r2 = mass_g / 1000.0 * (diameter_mm / 2000.0) ** 2
    return Figure(DISC_SHARE * m_r2, DISC_SHARE_ERROR * m_r2)


def wheel_rpm_of_motor(motor_rpm: float, wheel_turns: float) -> Figure:
    """Return a wheel's rpm from its motor's label and the turns of the wheel for one of the motor.

    A label gives the speed without load, and hobby motors differ by a tenth: common practice, no source.
    """
    rpm = motor_rpm * wheel_turns
    return Figure(rpm, 0.2 * rpm)
