"""Drivers that break one rule each, over a driver core that keeps all others: what the probe must find.

Each row names the rule that is broken in words, the check that must fail first, and how to break a sound driver.
"""

from dataclasses import dataclass

from drillfeed.clients.drivers.board import DriverTraits
from tests.probe import broken_acting, broken_reading
from tests.probe.bending import Break
from tests.probe.virtual_bench import BLIND, TRAITS, Driver, sound_driver


@dataclass(frozen=True)
class Broken:
    """One broken driver: `first` is the check that must be the first to fail."""

    what: str
    first: str
    clause: str
    how: Break
    traits: DriverTraits = TRAITS

    def make(self, now: float) -> Driver:
        core = sound_driver(now, self.traits)
        return self.how(core) or core


BROKEN: tuple[Broken, ...] = (
    Broken("sends one hello and waits", "greets", "L28", broken_reading.silent_until_greeted),
    Broken("sends NaN in its status", "frames", "Socket", broken_reading.nan_in_status),
    Broken("declares wheels in rev/s", "units", "Messages", broken_reading.speeds_in_revps),
    Broken("sends a status each 100 ms", "status-rhythm", "L26", broken_reading.slow_status),
    Broken("tells targets as measured", "honest", "L26", broken_reading.target_as_measured, BLIND),
    Broken("numbers its pongs itself", "pong", "L7", broken_reading.pong_counts_itself),
    Broken("tells its clock in milliseconds", "clock", "Units", broken_reading.clock_in_ms),
    Broken("obeys no stop before a hello", "stop-before-hello", "L18", broken_acting.stop_needs_hello),
    Broken("takes any watchdog time", "watchdog-times", "L4", broken_reading.any_watchdog),
    Broken("takes any limits", "limits-beyond", "L5", broken_reading.own_hash),
    Broken("answers each hello", "answers-once", "L6", broken_reading.hello_to_each),
    Broken("goes back to an old session", "old-session", "L3", broken_reading.any_old_session),
    Broken("tells an age of 0", "heartbeat", "L14", broken_reading.age_always_zero),
    Broken("dies of garbage", "garbage", "L2", broken_reading.dies_of_garbage),
    Broken("takes NaN for 0", "bad-fields", "L2", broken_reading._tolerant(broken_reading._nan_to_zero)),
    Broken("needs no version", "version", "L2", broken_reading._tolerant(lambda told: {"v": 1, **told})),
    Broken("takes any version", "version", "L2", broken_reading._tolerant(lambda told: {**told, "v": 1})),
    Broken(
        "clamps what is beyond its limits", "beyond-limits", "L8", broken_reading._tolerant(broken_reading._clamped)
    ),
    Broken("takes setpoints of any session", "other-session", "L9", broken_reading.any_session),
    Broken("takes setpoints of any epoch", "older-epoch", "L10", broken_reading.any_epoch),
    Broken("goes on with seq in a new epoch", "newer-epoch", "L11", broken_reading.keeps_seq_over_epochs),
    Broken("takes any seq", "old-seq", "L12", broken_reading.any_seq),
    Broken("takes what is past", "expired", "L13", broken_reading.never_too_old),
    Broken("answers refusals with frames", "no-flood", "L27", broken_reading.refusal_frames),
    Broken("acts when it reads", "feed-opens", "L15", broken_reading.acts_at_once),
    Broken("moves when it reads", "at-its-time", "L15", broken_acting.moves_at_once),
    Broken("leaves the feed open", "feed-closes", "L14", broken_acting.feed_stays_open),
    Broken("obeys stops of its own session only", "stops", "L18", broken_acting.stop_of_own_session_only),
    Broken("arms by late copies", "arm-once", "L20", broken_acting.every_arm_counts),
    Broken("reads stop by the letter", "stop-with-mistakes", "L19", broken_acting.stop_by_the_letter),
    Broken("stays armed in a new session", "session-disarms", "L3", broken_reading.stays_armed_in_new_session),
    Broken("has no watchdog", "watchdog", "L16", broken_acting.no_watchdog),
    Broken("takes a ping for the heartbeat", "watchdog", "L16", broken_acting.pings_feed_watchdog),
    Broken("takes refused setpoints for the heartbeat", "watchdog", "L16", broken_acting.refused_feed_watchdog),
    Broken("goes on when setpoints come back", "stays-tripped", "L16", broken_acting.trip_goes_away),
    Broken("arms out of a trip", "arm-in-tripped", "L20", broken_acting.arms_tripped),
    Broken("arms by clear", "clears", "L21", broken_acting.clear_arms),
    Broken("turns while disarmed", "only-armed", "L14", broken_acting.turns_disarmed),
    Broken("jumps to its target", "ramp", "L25", broken_acting.jumps),
    Broken("ramps at twice the rate", "ramp", "L25", broken_acting.double_ramp),
    Broken("has no ramp of its own", "own-ramp", "L25", broken_acting.no_own_ramp),
    Broken("keeps what was replaced", "next-wins", "L15", broken_reading.nothing_replaced),
    Broken("keeps its queue in a new epoch", "epoch-drops", "L11", broken_reading.keeps_queue_over_epochs),
    Broken("holds a target for ever", "expires", "L15", broken_reading.never_expires),
    Broken("stops by a jump to 0", "stops-turning", "L18", broken_acting.stop_cuts_to_zero),
    Broken("takes rest for granted", "rests", "L23", broken_acting.rest_at_once, BLIND),
    Broken("arms turning wheels", "arm-turning", "L20", broken_acting.arms_turning),
    Broken("clears while turning", "clear-turning", "L21", broken_acting.clears_turning),
    Broken("looks at its watchdog in ticks only", "frozen", "L1", broken_acting.watchdog_in_ticks_only),
    Broken("pushes two balls for one feed", "one-ball", "L17", broken_acting.feeds_twice),
    Broken("pushes a ball for each copy", "one-ball", "L17", broken_acting.feeds_each_copy),
    Broken("pushes 100 ms early", "one-ball", "L17", broken_acting.feeds_early),
    Broken("pushes late", "late", "L17", broken_acting._obstacle_without("late")),
    Broken("pushes between turning wheels", "out-of-band", "L17", broken_acting._obstacle_without("wheel at")),
    Broken("pushes what waits in a new epoch", "epoch-refuses", "L11", broken_acting.feeds_wait_over_epoch),
    Broken("pushes what waits at a stop", "stop-refuses", "L18", broken_acting.feeds_wait_over_stop),
)
