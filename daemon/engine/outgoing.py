"""What leaves for the driver each tick: setpoints up to the lead, with the feeds that belong into them.

Rule of this file: the ramp limiter is the last thing before the wire, whatever was asked.
"""

from drillfeed.daemon.engine.hold import SETUP_LEAD_S
from drillfeed.daemon.engine.settling import settle
from drillfeed.daemon.engine.turn import Turn
from drillfeed.protocol.link import LEAD_S, TICK_S, VALID_S, Feed


def send_setpoints(turn: Turn) -> None:
    """Send the setpoints up to the lead; a loop that was late sends what is still worth it."""
    parts, now_s = turn.parts, turn.now_s
    closed = parts.feed_closed(now_s)
    if parts.feeder.open_or_close(closed is None) and crank_is_turning(turn):
        parts.feeder.crank_lost()
    line = parts.link.line
    if parts.link.driver is None or line is None:
        return
    parts.motion.begin_tick(now_s)
    feeds = tuple(Feed(id=feed.id, at_s=line.to_driver(feed.at_s)) for feed in _feeds(turn, closed))
    lead_s = SETUP_LEAD_S if parts.in_setup else LEAD_S
    for at_s in parts.motion.moments(now_s + lead_s):
        driver_at_s = line.to_driver(at_s)
        setpoint = parts.motion.axes.setpoint(
            at_s,
            parts.motion.timeline.at(at_s),
            parts.motion.quick,
            session=parts.link.session,
            epoch=parts.link.epoch,
            seq=parts.link.next_seq(),
            at_s=driver_at_s,
            until_s=driver_at_s + VALID_S,
            feeding=closed is None,
            agitator=closed is None and parts.machine.hopper.agitator,
            feeds=feeds,
        )
        parts.link.send(setpoint, now_s)


def _feeds(turn: Turn, closed: str | None) -> tuple[Feed, ...]:
    """Return the feeds that belong into setpoints sent now, their moments on the daemon's clock."""
    parts, now_s = turn.parts, turn.now_s
    run = parts.practice.run
    if run is not None and parts.mode.state == "FEEDING":
        axes = parts.motion.axes
        due = run.set_run.due(now_s, closed, lambda slot: axes.arrives(slot.ball.setting, slot.feed_at_s))
        feeds = tuple(Feed(id=slot.id, at_s=slot.feed_at_s) for slot in due)
        settle(turn)
        return feeds
    return parts.hold.feeds(now_s) if parts.in_setup and closed is None else ()


def crank_is_turning(turn: Turn) -> bool:
    """Tell whether a feed that closes now cuts a crank by time in mid-turn."""
    parts, run = turn.parts, turn.parts.practice.run
    if not parts.feeder.is_timed_crank or run is None:
        return False
    turning = (slot for slot in run.set_run.slots if slot.told and slot.outcome in (None, "fed", "unknown"))
    return any(slot.feed_at_s - TICK_S <= turn.now_s <= slot.feed_at_s + parts.feeder.turn_s for slot in turning)
