"""What became of balls: slots settled, pulses of the exit sensor, and their counts."""

from drillfeed.daemon.engine.contradictions import future
from drillfeed.daemon.engine.events import BallLeft, BallSettled, DoubleFeed, ExitSensorDistrusted
from drillfeed.daemon.engine.run import DrillRun
from drillfeed.daemon.engine.schedule import Slot
from drillfeed.daemon.engine.turn import Turn
from drillfeed.protocol.link import Status


def take_results(turn: Turn, status: Status) -> None:
    """Take from a status what became of feeds, and count it."""
    run, line = turn.parts.practice.run, turn.parts.link.line
    if line is None or status.session != turn.parts.link.session:
        return
    # Of several results of an id the first one listed counts: an id that was asked for anew adds another.
    for result in {result.id: result for result in reversed(status.feeds)}.values():
        if result.id > turn.parts.link.newest_id or future(result.at_s, status) is not None:
            continue  # nothing that was never asked for, or has not been yet, is believed
        fed_s = line.to_daemon(result.at_s)
        late = turn.parts.practice.unconfirmed.take(result, fed_s)
        if late is not None:
            _count(turn, *late)
        if run is not None:
            run.take(result, fed_s)
    settle(turn)


def take_exits(turn: Turn, status: Status, seen_n: int | None) -> None:
    """Take the pulses of the exit sensor that are newer than number `seen_n`; None if none was numbered yet."""
    run, line = turn.parts.practice.run, turn.parts.link.line
    if run is None or line is None or seen_n is None:
        return
    for pulse in status.exits:
        if pulse.n > seen_n and future(pulse.at_s, status) is None:
            _take_exit(turn, run, line.to_daemon(pulse.at_s))


def _take_exit(turn: Turn, run: DrillRun, at_s: float) -> None:
    was_trusted = run.leaving.trusted
    pulse, slot = run.leaving.pulse(at_s)
    if slot is not None:
        turn.tell(BallLeft(at_s, slot.n, slot.id, 1))
    elif pulse == "double":
        turn.tell(DoubleFeed(turn.now_s, pulse))
        turn.one_ball_less()
    elif was_trusted and not run.leaving.trusted:
        turn.tell(ExitSensorDistrusted(turn.now_s, pulse))


def settle_unanswered(turn: Turn) -> None:
    """Settle the feeds that were told and never answered, and count what was settled."""
    run = turn.parts.practice.run
    if run is not None:
        run.set_run.give_up_unanswered(turn.now_s)
        settle(turn)


def settle(turn: Turn) -> None:
    """Count what became of slots, and tell it."""
    run = turn.parts.practice.run
    if run is None:
        return
    for slot in run.leaving.unseen(turn.now_s):
        turn.tell(BallLeft(turn.now_s, slot.n, slot.id, 0))
    for slot in run.set_run.settled():
        _count(turn, run, slot)


def _count(turn: Turn, run: DrillRun, slot: Slot) -> None:
    """Count a settled slot and tell it; a ball that was unknown is told a second time when its end is known."""
    run.count(slot)
    if slot.outcome == "fed":
        turn.ball_went()
    elif slot.outcome == "unknown":
        turn.parts.practice.unconfirmed.put(run, slot)
        turn.parts.feeder.crank_lost()
    turn.tell(_settled(slot, turn.now_s))


def _settled(slot: Slot, now_s: float) -> BallSettled:
    ball = slot.ball
    return BallSettled(
        at_s=now_s,
        n=slot.n,
        id=slot.id,
        ball=ball.ball,
        side=ball.side,
        set=slot.set,
        outcome=slot.outcome,
        reason=slot.reason,
        planned_leaves_s=slot.leaves_s,
        late_ms=None if slot.fed_s is None else round((slot.fed_s - slot.feed_at_s) * 1000, 1),
        top_rpm=ball.setting.top_rpm,
        bottom_rpm=ball.setting.bottom_rpm,
        tilt_deg=ball.setting.tilt_deg,
        pan_deg=ball.setting.pan_deg,
        roll_deg=ball.setting.roll_deg,
        speed_mps=ball.speed_mps,
        spin_revps=ball.spin_revps,
        side_revps=ball.side_revps,
        title=ball.told,
        fitted=ball.fitted or None,
    )
