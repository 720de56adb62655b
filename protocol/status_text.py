"""The status for people: a Snapshot as aligned lines.

Rule of this file: what is not known is left blank. Text only, nothing told by colour.
"""

from collections.abc import Iterator

from drillfeed.protocol.commands import WAYS_ON
from drillfeed.protocol.status import BallInfo, Counts, OfferInfo, Snapshot, WheelInfo

NAME_WIDTH = 13


def status_lines(snapshot: Snapshot) -> tuple[str, ...]:
    """Write a snapshot as lines of a name and a value; first the state and why, then what to type next."""
    return tuple(f"{name:<{NAME_WIDTH}}{value}".rstrip() for name, value in _rows(snapshot))


def next_step(snapshot: Snapshot) -> str:
    """Tell the line to type next, from the daemon where it says one, else the usual one for the state."""
    if snapshot.next_step:
        return snapshot.next_step
    if snapshot.state == "ARMED":
        return f"start {snapshot.stop_count}" if snapshot.drill else "load NAME  (list drills tells the names)"
    return WAYS_ON[snapshot.state][0][0]


def state_line(snapshot: Snapshot) -> str:
    """Tell the state, how long it has lasted and why, in one line."""
    why = f": {snapshot.reason}" if snapshot.reason else ""
    return f"{snapshot.state} for {seconds(snapshot.since_s)}{why}"


def ball_line(ball: BallInfo | None) -> str:
    """Tell one ball: number, type, when or how it went, speed and spin; blank where there is none."""
    if ball is None:
        return ""
    parts = [f"{ball.n} {ball.ball}" + (f" to {ball.side}" if ball.side else "")]
    if ball.leaves_in_s is not None and ball.leaves_in_s >= 0:
        parts.append(f"in {ball.leaves_in_s:.1f} s")
    if ball.result:
        parts.append(ball.result + (f" ({ball.reason})" if ball.reason else ""))
    if ball.fitted is not None:
        parts.append(ball.fitted)
        return ", ".join(parts)
    if ball.speed_mps is not None:
        parts.append(f"{ball.speed_mps:.1f} m/s")
    if ball.spin_revps is not None:
        parts.append(f"{ball.spin_revps:+.0f} rev/s")
    if ball.side_revps:
        parts.append(f"side {ball.side_revps:+.0f}")
    return ", ".join(parts)


def set_line(snapshot: Snapshot) -> str:
    """Tell the set and how much of it is done: `2 of 5, ball 3 of 20`."""
    if snapshot.set is None:
        return ""
    sets = f" of {snapshot.sets}" if snapshot.sets is not None else ""
    done = f", {snapshot.set_done} of {blank(snapshot.set_balls)} balls done" if snapshot.set_done is not None else ""
    return f"{snapshot.set}{sets}{done}"


def offer_line(offer: OfferInfo) -> str:
    """Tell what is offered, by whom, and how it is taken up: `coach 3f2a offers to start, 43 s left: confirm 2`."""
    return f"{offer.by} offers {offer.what}, {offer.left_s:.0f} s left: confirm {offer.number}"


def seconds(value: float | None) -> str:
    """Write a time: tenths under ten seconds, whole seconds under two minutes, then minutes; blank if None."""
    if value is None:
        return ""
    if abs(value) < 10:
        return f"{value:.1f} s"
    return f"{value:.0f} s" if abs(value) < 120 else f"{value / 60:.0f} min"


def blank(value: object) -> str:
    """Write a figure, or nothing where it is not known."""
    return "" if value is None else str(value)


def _rows(s: Snapshot) -> Iterator[tuple[str, str]]:
    yield "state", state_line(s)
    yield "next", next_step(s)
    if s.hint:
        yield "hint", s.hint
    for fault in s.faults:
        yield "fault", fault
    for misfit in s.misfits:
        yield "misfit", misfit
    for warning in s.warnings:
        yield "warning", warning
    if s.offer:
        yield "offer", offer_line(s.offer)
    yield "stop count", str(s.stop_count)
    yield "feed", f"{s.feed} ({s.feed_known})"
    at_rest = {True: "at rest", False: "turning", None: ""}[s.wheels_at_rest]
    yield "wheels", f"{at_rest} ({s.wheels_known})".strip()
    yield "countdown", seconds(s.countdown_s)
    yield "rest", "until you type ready" if s.rest_waits else seconds(s.rest_s)
    if s.player:
        yield "player", s.player
    if s.limits:
        yield "limits", s.limits
    yield "drill", " ".join([blank(s.drill), *([f"seed {s.seed}"] if s.seed is not None else [])])
    yield "set", set_line(s)
    yield "tempo", tempo_line(s)
    if s.changes:
        yield "changes", f"{s.changes} ({s.step})" if s.rung else s.changes
    if s.change_waits:
        yield "waiting", s.change_waits
    if s.queued:
        yield "next drill", f"{s.queued}, after ready"
    yield "last ball", ball_line(s.last_ball)
    yield "next ball", ball_line(s.next_ball)
    yield "commanded", str(s.counts.commanded)
    yield "seen leaving", blank(s.counts.seen)
    yield "made", made_text(s.counts)
    yield "refused", str(s.counts.refused)
    yield "skipped", str(s.counts.skipped)
    yield "hopper", f"{s.hopper} balls" if s.hopper is not None else ""
    if s.crank_phase != "none":
        yield "crank", f"phase {s.crank_phase}"
    yield "top wheel", _wheel(s.top)
    yield "bottom wheel", _wheel(s.bottom)
    yield "tilt", f"{s.tilt_deg:.1f} deg" if s.tilt_deg is not None else ""
    yield "supply", f"{s.supply_v:.1f} V" if s.supply_v is not None else ""
    yield "machine", s.machine + (" (simulated)" if s.simulated else "")
    yield "calibration", blank(s.calibration)
    yield "driver", blank(s.driver)
    yield "link", s.link
    yield "clock error", f"{s.clock_error_ms:.1f} ms" if s.clock_error_ms is not None else ""
    yield "late ticks", str(s.late_ticks) + (f", worst {s.worst_late_ms:.1f} ms" if s.worst_late_ms is not None else "")


def made_text(counts: Counts) -> str:
    """Tell what was made, of how many that somebody judged: `14 of 20`; blank where nobody has."""
    return "" if counts.made is None else f"{counts.made} of {blank(counts.marked)}".removesuffix(" of ")


def tempo_line(s: Snapshot) -> str:
    """Tell the tempo, and where it is not the one asked for, that one and why."""
    if s.tempo_per_min is None:
        return ""
    asked = s.tempo_asked_per_min
    text = f"{s.tempo_per_min:.3g}/min"
    if asked is not None and abs(asked - s.tempo_per_min) > 0.05:
        text += f" (asked {asked:.3g}/min)"
    return text + (f": {s.tempo_reason}" if s.tempo_reason else "")


def _wheel(wheel: WheelInfo) -> str:
    target = f"{wheel.target_rpm:.0f} rpm asked" if wheel.target_rpm is not None else ""
    measured = f"{wheel.measured_rpm:.0f} rpm measured" if wheel.measured_rpm is not None else ""
    return ", ".join(part for part in (target, measured) if part)
