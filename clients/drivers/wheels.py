"""A driven wheel in small fixed time steps, and how a ball slows two of them.

Rule of this file: pure functions of numbers. Speeds are rpm of the wheel.
"""

import math
from dataclasses import dataclass

from drillfeed.clients.drivers.traits import WheelTraits

SNAP_RPM = 0.01
Dip = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class WheelStep:
    """One wheel's motion over a step of fixed length: shares and largest changes for that step.

    Coasting: dw/dt = -(w + f)/tau, so w(t) = (w0 + f) exp(-t/tau) - f, with f from the time from the highest speed
    to rest (textbook: viscous and dry friction).
    """

    closing: float
    max_rise: float
    max_fall: float | None
    coast_decay: float
    coast_f: float


def law_of(wheel: WheelTraits, step_s: float) -> WheelStep:
    """Return the law of a wheel for steps of `step_s`; without brake or coast curve it falls as fast as it rises."""
    tau = wheel.coast_tau_s
    fall = wheel.fall_rpm_per_s
    if fall is None and tau is None:
        fall = wheel.rise_rpm_per_s
    return WheelStep(
        closing=-math.expm1(-step_s / wheel.closing_s),
        max_rise=wheel.rise_rpm_per_s * step_s,
        max_fall=None if fall is None else fall * step_s,
        coast_decay=1.0 if tau is None else math.exp(-step_s / tau),
        coast_f=0.0 if tau is None else wheel.high_rpm / math.expm1(wheel.spin_down_s / tau),
    )


def next_rpm(rpm: float, goal_rpm: float, law: WheelStep, push: float) -> float:
    """Return the speed one step later: a speed controller that closes on its goal within what the motor can do.

    `push` is the share of its full torque that the motor has at the present supply voltage. When falling, a braked
    wheel slows at most at its brake's rate, a coasting wheel at most along its coast curve. A reversal passes through
    rest.
    """
    sign = -1.0 if rpm < 0 or (rpm == 0 and goal_rpm < 0) else 1.0
    now, goal = rpm * sign, goal_rpm * sign
    if goal >= now:
        rise = (goal - now) * law.closing
        max_rise = law.max_rise * push
        then = now + (rise if rise < max_rise else max_rise)
    else:
        closing = now + (goal - now) * law.closing
        if law.max_fall is not None:
            then = max(closing, now - law.max_fall, 0.0)
        else:
            coasting = (now + law.coast_f) * law.coast_decay - law.coast_f
            then = max(coasting if goal <= 0 else max(closing, coasting), 0.0)
    return goal_rpm if abs(goal - then) < SNAP_RPM else then * sign


def throw(
    top: WheelTraits, bottom: WheelTraits, top_rpm: float, bottom_rpm: float, mass_kg: float, radius_m: float
) -> Dip:
    """Return launch speed (m/s), spin (rev/s, topspin positive) and both wheel speeds (rpm) after a ball has passed.

    From momentum, if the wheels run free during the touch and the slip is over when the ball leaves. With u' = rim
    speed after and J = impulse of a wheel on the ball: u - u' = k J, k = R^2 / I_w; m v = J_t + J_b;
    2/3 m r w = J_t - J_b; v = (u_t' + u_b') / 2, r w = (u_t' - u_b') / 2. For equal wheels
    v = u / (1 + m R^2 / (2 I_w)), and the spin's factor is 1 / (1 + m R^2 / (3 I_w)).
    """
    rim_t, rim_b = math.pi * top.diameter_m / 60, math.pi * bottom.diameter_m / 60
    k_t = (top.diameter_m / 2) ** 2 / top.inertia_kgm2
    k_b = (bottom.diameter_m / 2) ** 2 / bottom.inertia_kgm2
    u_t, u_b = top_rpm * rim_t, bottom_rpm * rim_b
    # J_t = m (5 u_t' + u_b') / 12 and J_b = m (u_t' + 5 u_b') / 12, put into u' = u - k J: two linear equations.
    a, b = 1 + 5 * mass_kg * k_t / 12, mass_kg * k_t / 12
    c, d = mass_kg * k_b / 12, 1 + 5 * mass_kg * k_b / 12
    det = a * d - b * c
    after_t, after_b = (u_t * d - u_b * b) / det, (u_b * a - u_t * c) / det
    spin_revps = (after_t - after_b) / 2 / radius_m / (2 * math.pi)
    return (after_t + after_b) / 2, spin_revps, after_t / rim_t, after_b / rim_b
