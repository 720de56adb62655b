"""The status for people: a Snapshot as aligned lines.

Rule of this file: what is not known is left blank. Text only, nothing told by colour.
"""

from collections.abc import Iterator

from drillfeed.protocol.commands import WAYS_ON, step_text
from drillfeed.protocol.status import BallInfo, Counts, OfferInfo, Snapshot, WheelInfo
from drillfeed.protocol.texts.catalogue import text

NAME_WIDTH = 13


def status_lines(snapshot: Snapshot) -> tuple[str, ...]:
    """Write a snapshot as lines of a name and a value; first the state and why, then what to type next."""
    return tuple(f"{text(f'label.{name}'):<{NAME_WIDTH}}{value}".rstrip() for name, value in _rows(snapshot))


def next_step(snapshot: Snapshot) -> str:
    """Tell the line to type next, from the daemon where it says one, else the usual one for the state."""
    if snapshot.next_step:
        return snapshot.next_step
    if snapshot.state == "ARMED":
        return f"start {snapshot.stop_count}" if snapshot.drill else text("status.load-name")
    return step_text(WAYS_ON[snapshot.state][0][0])


def state_line(snapshot: Snapshot) -> str:
    """Tell the state, how long it has lasted and why, in one line."""
    why = f": {snapshot.reason}" if snapshot.reason else ""
    return text("status.state", state=snapshot.state, time=seconds(snapshot.since_s), why=why)


def ball_line(ball: BallInfo | None) -> str:
    """Tell one ball: number, type, when or how it went, speed and spin; blank where there is none."""
    if ball is None:
        return ""
    parts = [f"{ball.n} {ball.ball}" + (text("status.to-side", side=ball.side) if ball.side else "")]
    if ball.leaves_in_s is not None and ball.leaves_in_s >= 0:
        parts.append(text("status.in-s", leaves_in_s=ball.leaves_in_s))
    if ball.result:
        parts.append(ball.result + (f" ({ball.reason})" if ball.reason else ""))
    if ball.fitted is not None:
        parts.append(ball.fitted)
        return ", ".join(parts)
    if ball.speed_mps is not None:
        parts.append(f"{ball.speed_mps:.1f} m/s")
    if ball.spin_revps is not None:
        parts.append(text("status.spin", spin_revps=ball.spin_revps))
    if ball.side_revps:
        parts.append(text("status.side", side_revps=ball.side_revps))
    return ", ".join(parts)


def set_line(snapshot: Snapshot) -> str:
    """Tell the set and how much of it is done: `2 of 5, ball 3 of 20`."""
    if snapshot.set is None:
        return ""
    sets = text("status.of", sets=snapshot.sets) if snapshot.sets is not None else ""
    done = (
        text("status.done", set_done=snapshot.set_done, balls=blank(snapshot.set_balls))
        if snapshot.set_done is not None
        else ""
    )
    return f"{snapshot.set}{sets}{done}"


def offer_line(offer: OfferInfo) -> str:
    """Tell what is offered, by whom, and how it is taken up: `coach 3f2a offers to start, 43 s left: confirm 2`."""
    return text("status.offer", by=offer.by, what=offer.what, left_s=offer.left_s, number=offer.number)


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
    yield "stop-count", str(s.stop_count)
    yield "feed", f"{s.feed} ({s.feed_known})"
    at_rest = {True: text("status.at-rest"), False: text("status.turning"), None: ""}[s.wheels_at_rest]
    yield "wheels", f"{at_rest} ({s.wheels_known})".strip()
    yield "countdown", seconds(s.countdown_s)
    yield "rest", text("status.until-ready") if s.rest_waits else seconds(s.rest_s)
    if s.player:
        yield "player", s.player
    if s.limits:
        yield "limits", s.limits
    yield "drill", " ".join([blank(s.drill), *([text("status.seed", seed=s.seed)] if s.seed is not None else [])])
    yield "set", set_line(s)
    yield "tempo", tempo_line(s)
    if s.changes:
        yield "changes", f"{s.changes} ({s.step})" if s.rung else s.changes
    if s.change_waits:
        yield "waiting", s.change_waits
    if s.queued:
        yield "next-drill", text("status.after-ready", queued=s.queued)
    yield "last-ball", ball_line(s.last_ball)
    yield "next-ball", ball_line(s.next_ball)
    yield "commanded", str(s.counts.commanded)
    yield "seen-leaving", blank(s.counts.seen)
    yield "made", made_text(s.counts)
    yield "refused", str(s.counts.refused)
    yield "skipped", str(s.counts.skipped)
    yield "hopper", text("status.hopper", hopper=s.hopper) if s.hopper is not None else ""
    if s.crank_phase != "none":
        yield "crank", text("status.crank", crank_phase=s.crank_phase)
    yield "top-wheel", _wheel(s.top)
    yield "bottom-wheel", _wheel(s.bottom)
    yield "tilt", f"{s.tilt_deg:.1f} deg" if s.tilt_deg is not None else ""
    yield "supply", f"{s.supply_v:.1f} V" if s.supply_v is not None else ""
    yield "machine", s.machine + (" (simulated)" if s.simulated else "")
    yield "calibration", blank(s.calibration)
    yield "driver", blank(s.driver)
    yield "link", s.link
    yield "clock-error", f"{s.clock_error_ms:.1f} ms" if s.clock_error_ms is not None else ""
    yield (
        "late-ticks",
        str(s.late_ticks)
        + (text("status.worst", worst_late_ms=s.worst_late_ms) if s.worst_late_ms is not None else ""),
    )


def made_text(counts: Counts) -> str:
    """Tell what was made, of how many that somebody judged: `14 of 20`; blank where nobody has."""
    if counts.made is None or counts.marked is None:
        return blank(counts.made)
    return text("status.made", made=counts.made, marked=counts.marked)


def tempo_line(s: Snapshot) -> str:
    """Tell the tempo, and where it is not the one asked for, that one and why."""
    if s.tempo_per_min is None:
        return ""
    asked = s.tempo_asked_per_min
    line = f"{s.tempo_per_min:.3g}/min"
    if asked is not None and abs(asked - s.tempo_per_min) > 0.05:
        line += text("status.asked", asked=asked)
    return line + (f": {s.tempo_reason}" if s.tempo_reason else "")


def _wheel(wheel: WheelInfo) -> str:
    target = text("status.rpm-asked", target_rpm=wheel.target_rpm) if wheel.target_rpm is not None else ""
    measured = text("status.rpm-measured", measured_rpm=wheel.measured_rpm) if wheel.measured_rpm is not None else ""
    return ", ".join(part for part in (target, measured) if part)
