"""What must hold of every setpoint that a daemon sends, whatever was said to it and whatever happened.

Rule of this file: it looks at frames on the wire; how they came about is not its business.
"""

from collections.abc import Sequence

from drillfeed.protocol.link import ANGLES, LEAD_S, MIN_LEAD_S, TICK_S, VALID_S, WHEELS, Axis, Limits, Order, Setpoint

Sent = tuple[float, Setpoint]
ROUNDING = 1e-6
# Beyond the error that the daemon states of its idea of the driver's clock: drift until the next ping.
CLOCK_S = 0.001
# The limiter's first step; and one more, since the moment in force is only known to the grid and to the clock's error.
EDGE_TICKS = 2


def _value(setpoint: Setpoint, axis: Axis) -> float | None:
    target = getattr(setpoint, axis)
    if target is None:
        return None
    return float(target.rpm if axis in WHEELS else target.deg)


def _rate(limits: Limits, axis: Axis) -> float:
    bound = getattr(limits, axis)
    if axis in WHEELS:
        return float(max(bound.up_rpm_per_s, bound.down_rpm_per_s, bound.quick_rpm_per_s))
    return float(bound.slew_deg_per_s)


def _steps(before: Setpoint, after: Setpoint, seconds: float, limits: Limits) -> list[str]:
    found = []
    for axis in (*WHEELS, *ANGLES):
        was, now = _value(before, axis), _value(after, axis)
        if was is None or now is None:
            continue
        if abs(now - was) > _rate(limits, axis) * seconds + ROUNDING:
            found.append(f"{axis} from {was:g} to {now:g} in {seconds * 1000:.0f} ms, epoch {after.epoch}")
    return found


def _one(sent_s: float, setpoint: Setpoint, limits: Limits, offset_s: float, clock_s: float) -> list[str]:
    found = []
    ahead_s = setpoint.at_s - offset_s - sent_s
    if not MIN_LEAD_S - clock_s <= ahead_s <= LEAD_S + clock_s:
        found.append(f"sent {ahead_s * 1000:.0f} ms ahead")
    if abs(setpoint.until_s - setpoint.at_s - VALID_S) > ROUNDING:
        found.append("until_s is not at_s + 300 ms")
    if setpoint.feeds and not setpoint.feeding:
        found.append("feeds while the feed is closed")
    for feed in setpoint.feeds:
        if not -clock_s < feed.at_s - offset_s - sent_s <= LEAD_S + 2 * TICK_S + clock_s:
            found.append(f"feed {feed.id} told {(feed.at_s - offset_s - sent_s) * 1000:.0f} ms ahead")
    for wheel in WHEELS:
        bound, value = getattr(limits, wheel), _value(setpoint, wheel)
        if value is None or not bound.low_rpm <= value <= bound.high_rpm:
            found.append(f"{wheel} {value} rpm")
    for axis in ANGLES:
        reach, value = getattr(limits, axis), _value(setpoint, axis)
        if reach is not None and (value is None or not reach.low_deg <= value <= reach.high_deg):
            found.append(f"{axis} {value} degrees")
    return found


def _in_force(before: Sequence[Sent], now_s: float, armed_epoch: int, offset_s: float) -> Setpoint | None:
    """Return the setpoint that an armed driver follows; what an epoch had waiting goes with the first of the next."""
    ends_s = began_s = now_s
    epoch: int | None = None
    for sent_s, old in reversed(before):
        if old.epoch != epoch:
            ends_s, epoch = began_s, old.epoch
        began_s = sent_s
        if old.at_s - offset_s <= ends_s and old.epoch >= armed_epoch:
            return old
    return None


def _edge(before: Sequence[Sent], first: Sent, armed_epoch: int, limits: Limits, offset_s: float) -> list[str]:
    """Hold the first setpoint of an epoch against the one that is in force when it is sent."""
    sent_s, setpoint = first
    in_force = _in_force(before, sent_s, armed_epoch, offset_s)
    # Where nothing was sent for a while the limiter counts the time that has passed.
    seconds = EDGE_TICKS * TICK_S + max(sent_s - before[-1][0] - TICK_S, 0.0)
    return [] if in_force is None else _steps(in_force, setpoint, seconds, limits)


def breaches(
    sent: Sequence[Sent],
    errors_s: Sequence[float],
    orders: Sequence[tuple[float, Order]],
    limits: Limits,
    offset_s: float,
) -> list[str]:
    """Return every breach, one line each.

    `errors_s`: of each setpoint, the error that the daemon stated of the driver's clock; `offset_s`: driver's clock
    minus daemon's, the truth. Arming seeds the limiter anew.
    """
    found: list[str] = []
    armed = {order.epoch for _, order in orders if order.kind == "arm"}
    for place, (sent_s, setpoint) in enumerate(sent):
        complaint = _one(sent_s, setpoint, limits, offset_s, errors_s[place] + CLOCK_S)
        if place:
            before = sent[place - 1][1]
            if setpoint.epoch == before.epoch:
                # A better idea of the driver's clock may move a moment by what it was off before.
                seconds = max(setpoint.at_s - before.at_s, 0.0) + errors_s[place] + errors_s[place - 1]
                complaint += _steps(before, setpoint, seconds, limits)
                if setpoint.seq <= before.seq:
                    complaint.append(f"seq {setpoint.seq} after {before.seq}")
            elif setpoint.epoch not in armed:
                armed_epoch = max((epoch for epoch in armed if epoch <= setpoint.epoch), default=0)
                complaint += _edge(sent[max(0, place - 60) : place], sent[place], armed_epoch, limits, offset_s)
        found += [f"{sent_s:.3f}: {line}" for line in complaint]
    return found
