"""Clauses L1 to L16 and L25: what becomes of hellos and setpoints, over time."""

import json
from collections.abc import Callable

import pytest

from drillfeed.clients.drivers.rules import ramped_wheel
from drillfeed.protocol.frames import encode
from drillfeed.protocol.link import DriverHello, Limits, Ping, Pong, Setpoint
from tests.clients.drivers.link_rig import LIMITS, SESSION, Rig

Change = Callable[[Rig], bytes]


def with_(rig: Rig, **changes: object) -> bytes:
    """Return a good setpoint of the current epoch with some fields put wrong."""
    fields = json.loads(encode(rig.setpoint(rpm=1000.0)))
    for key, value in changes.items():
        where = fields
        *path, last = key.split("__")
        for step in path:
            where = where[step]
        where[last] = value
    return json.dumps(fields).encode()


BAD_NUMBERS: dict[str, Change] = {
    "top too fast": lambda rig: with_(rig, top__rpm=6000.1),
    "bottom backwards": lambda rig: with_(rig, bottom__rpm=-1.0),
    "a number out of all bounds": lambda rig: with_(rig, top__rpm=1e9),
    "tilt too high": lambda rig: with_(rig, tilt={"deg": 61.0, "slew_deg_per_s": 10.0}),
    "an axis that is not there": lambda rig: with_(rig, pan={"deg": 1.0, "slew_deg_per_s": 10.0}),
    "no ramp": lambda rig: with_(rig, top__ramp_rpm_per_s=0.0),
    "a ramp below zero": lambda rig: with_(rig, top__ramp_rpm_per_s=-5.0),
    "not a number": lambda rig: with_(rig, top__rpm=float("nan")),
    "infinite": lambda rig: with_(rig, at_s=float("inf")),
    "a word for a number": lambda rig: with_(rig, top__rpm="1000"),
    "until before at": lambda rig: with_(rig, until_s=rig.now),
    "until far after at": lambda rig: with_(rig, until_s=rig.now + 5.0),
    "at far ahead": lambda rig: with_(rig, at_s=rig.now + 60.0, until_s=rig.now + 60.3),
    "a feed far ahead": lambda rig: with_(rig, feeding=True, feeds=[{"id": 1, "at_s": rig.now + 60.0}]),
    "too many feeds": lambda rig: with_(rig, feeding=True, feeds=[{"id": n, "at_s": rig.now} for n in range(9)]),
    "a field missing": lambda rig: with_(rig).replace(b'"feeding"', b'"feading"'),
    "another version": lambda rig: with_(rig, v=2),
    "no version": lambda rig: with_(rig).replace(b'"v"', b'"w"'),
    "random bytes": lambda rig: bytes(range(256)),
    "half a message": lambda rig: with_(rig)[:40],
    "a list": lambda rig: b"[1, 2, 3]",
    "nothing": lambda rig: b"",
    "too long": lambda rig: with_(rig) + b" " * 17_000,
}


@pytest.mark.parametrize("bad", BAD_NUMBERS.values(), ids=BAD_NUMBERS.keys())
def test_bad_numbers_are_refused_whole(bad: Change) -> None:
    """L2, L8: a message with one wrong thing changes nothing, is no heartbeat, and is listed with its reason."""
    rig = Rig().arm()
    rig.run(0.1, rpm=500.0)
    before = rig.core.seq, rig.core.accepted_s, len(rig.core.queue), rig.core.epoch, rig.core.mode
    rig.give(bad(rig))
    assert (rig.core.seq, rig.core.accepted_s, len(rig.core.queue), rig.core.epoch, rig.core.mode) == before
    assert len(rig.reasons()) == 1
    assert rig.status().refusals[-1].reason == rig.reasons()[0]


def test_unknown_fields_are_passed_over() -> None:
    """L2: a field that this version does not know harms nothing."""
    rig = Rig().greet()
    rig.give(with_(rig, top__rpm=0.0, colour="grey"))
    assert rig.core.accepted_s == rig.now and rig.reasons() == []


def test_zero_is_within_every_limit() -> None:
    """L8: standing still is always allowed, whatever the lowest running speed."""
    wheel = LIMITS.top.model_copy(update={"low_rpm": 300.0})
    rig = Rig()
    rig.tick()
    rig.give(rig.hello(limits=Limits(top=wheel, bottom=wheel, tilt=LIMITS.tilt)))
    rig.give(rig.setpoint(rpm=0.0))
    assert rig.core.accepted_s == rig.now
    rig.give(rig.setpoint(rpm=299.0))
    assert rig.reasons() == ["top.rpm 299 is outside 300..6000"]


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"session": "session-2"}, "another session"),
        ({"epoch": 0}, "epoch 0; current is 1"),
        ({"seq": 1}, "seq 1; newest is"),
        ({"ahead_s": -0.4}, "its until_s is 100 ms past"),
    ],
    ids=["L9 session", "L10 epoch", "L12 seq", "L13 until"],
)
def test_what_is_stale_is_dropped(change: dict[str, object], reason: str) -> None:
    """L9, L10, L12, L13: another session, an older epoch, an old seq, a past until: dropped, and no heartbeat."""
    rig = Rig().arm()
    rig.run(0.1)
    accepted_s = rig.core.accepted_s
    rig.give(rig.setpoint(**change))  # type: ignore[arg-type]
    assert rig.core.accepted_s == accepted_s
    assert rig.reasons()[-1].startswith(reason)


def test_a_repeated_setpoint_counts_once() -> None:
    """L12: the same seq again is dropped."""
    rig = Rig().arm()
    message = rig.setpoint()
    rig.give(message)
    rig.give(message)
    assert len(rig.reasons()) == 1


def test_a_newer_epoch_empties_the_queue_and_keeps_the_target_in_force() -> None:
    """L11: what waits is dropped; the target in force stays until its `until_s`, then the output holds."""
    rig = Rig().arm()
    rig.run(1.0, rpm=1500.0)
    assert rig.board.rpm["top"] == 1500.0
    rig.give(rig.setpoint(rpm=3000.0))
    rig.epoch += 1
    rig.give(rig.setpoint(rpm=1000.0, ahead_s=0.1))
    assert len(rig.core.queue) == 1
    rig.quiet(0.09)
    assert rig.board.rpm["top"] == 1500.0
    rig.quiet(0.05)
    assert 1300.0 < rig.board.rpm["top"] < 1500.0


def test_a_target_acts_from_at_until_until() -> None:
    """L15: nothing before `at_s`; from then at the ramp asked for; after `until_s` the output holds where it is."""
    rig = Rig().arm()
    rig.give(rig.setpoint(rpm=6000.0, ahead_s=0.1, stay_s=0.1, ramp=1000.0))
    rig.quiet(0.095)
    assert rig.board.rpm["top"] == 0.0
    rig.quiet(0.055)
    assert rig.board.rpm["top"] == pytest.approx(55.0, abs=6.0)
    rig.quiet(0.09)
    held = rig.board.rpm["top"]
    assert held == pytest.approx(100.0, abs=11.0)
    rig.quiet(0.1)
    assert rig.board.rpm["top"] == held


def test_a_later_message_wins_from_its_own_at_on() -> None:
    """L15: a newer setpoint for an earlier moment drops those that wait for later ones."""
    rig = Rig().arm()
    rig.give(rig.setpoint(rpm=3000.0, ahead_s=0.4))
    rig.give(rig.setpoint(rpm=0.0, ahead_s=0.3))
    assert len(rig.core.queue) == 1


@pytest.mark.parametrize(
    ("start", "goal", "asked", "rate"),
    [
        (0.0, 3000.0, 1000.0, 1000.0),
        (0.0, 3000.0, 9e9, 4000.0),
        (3000.0, 0.0, 1000.0, 1000.0),
        (3000.0, 0.0, 9e9, 5000.0),
    ],
    ids=["up as asked", "up at the cap", "down as asked", "down at the cap"],
)
def test_outputs_move_at_the_rate_within_the_caps(start: float, goal: float, asked: float, rate: float) -> None:
    """L25: an output moves at the rate asked for, never faster than the limit of its direction."""
    rig = Rig().arm()
    rig.run(1.5, rpm=start, ramp=9e9)
    rig.run(0.305, rpm=goal, ramp=asked)
    before = dict(rig.board.rpm)
    rig.tick()
    for wheel, rpm in rig.board.rpm.items():
        assert abs(rpm - before[wheel]) == pytest.approx(rate * 0.005)


def test_a_reversal_rests_at_zero_first() -> None:
    """L25: towards the other direction an output falls, at the falling rate, to 0 and no farther in one step."""
    assert ramped_wheel(1000.0, -2000.0, 4000.0, 5000.0, 0.05) == 750.0
    assert ramped_wheel(100.0, -2000.0, 4000.0, 5000.0, 0.05) == 0.0
    assert ramped_wheel(0.0, -2000.0, 4000.0, 5000.0, 0.05) == -200.0


def test_a_long_pause_of_the_driver_makes_no_long_step() -> None:
    """L25: however much time passed between two ticks, a step counts 50 ms at most."""
    rig = Rig().arm()
    rig.run(0.32, rpm=6000.0)
    before = rig.board.rpm["top"]
    rig.give(rig.setpoint(rpm=6000.0))
    rig.tick(0.24)
    assert rig.board.rpm["top"] - before <= 3000.0 * 0.05 + 1e-9


def test_angles_slew_and_hold() -> None:
    """L25: an angle goes to its target at the rate asked for; a setpoint without it holds it."""
    rig = Rig().arm()
    rig.run(0.5, tilt_deg=60.0)
    assert rig.board.deg["tilt"] == pytest.approx(60.0 * 0.2, abs=0.5)
    rig.run(0.6)
    assert rig.board.deg["tilt"] == pytest.approx(60.0 * 0.5, abs=0.5)
    assert rig.status().tilt is not None


def test_while_disarmed_setpoints_are_heartbeats_only() -> None:
    """L14: without arming no setpoint moves anything; what waits from before does not act after arming either."""
    rig = Rig().greet()
    rig.run(0.6, rpm=3000.0, tilt_deg=20.0)
    assert rig.board.rpm["top"] == 0.0 and rig.board.deg == {} and len(rig.core.queue) == 0
    assert rig.core.accepted_s is not None
    rig.give(rig.order("arm", epoch=1))
    rig.quiet(0.2)
    assert rig.core.mode == "armed" and rig.board.rpm["top"] == 0.0


def test_the_watchdog_closes_the_feed_then_trips_and_latches() -> None:
    """L16: 250 ms without an accepted setpoint close the feed, 500 ms trip; the wheels come down without the daemon."""
    rig = Rig().spin()
    rig.quiet(0.220)
    assert rig.core.gate.open
    rig.quiet(0.020)
    assert not rig.core.gate.open and rig.core.mode == "armed"
    rig.quiet(0.220)
    assert rig.core.mode == "armed"
    rig.quiet(0.030)
    assert rig.core.mode == "tripped"
    rig.run(1.0, rpm=3000.0, feeding=True)
    assert rig.core.mode == "tripped" and rig.board.rpm == {"top": 0.0, "bottom": 0.0}
    assert not rig.core.gate.open


def test_silence_never_lasts_longer_than_the_watchdog_times() -> None:
    """L16: with a look each 5 ms the feed is closed before 250 ms of silence are over and it has tripped before 500."""
    rig = Rig().spin()
    rig.give(rig.setpoint(rpm=1500.0, feeding=True))
    heard_s = rig.now
    rig.now += 0.0047  # out of step with the setpoint
    for event, bound_s in (("feed_closed", 0.250), ("watchdog", 0.500)):
        while not (at_s := [t for name, t, _ in rig.log if name == event]):
            rig.tick()
        assert bound_s - 0.006 <= at_s[0] - heard_s <= bound_s


def test_a_closed_feed_is_not_opened_by_what_was_read_before() -> None:
    """L16: setpoints that waited when the watchdog closed the feed do not open it again; a fresh one does."""
    rig = Rig().spin()
    rig.quiet(0.26)
    assert not rig.core.gate.open
    rig.quiet(0.03)
    assert not rig.core.gate.open
    rig.run(0.4, rpm=1500.0, feeding=True)
    assert rig.core.gate.open


def test_refused_messages_are_no_heartbeat() -> None:
    """L16: pings, garbage and setpoints of another session keep no watchdog quiet."""
    rig = Rig().spin()
    for _ in range(110):
        rig.give(Ping(n=1))
        rig.give(b"garbage")
        rig.give(rig.setpoint(rpm=1500.0, session="session-2"))
        rig.tick()
    assert rig.core.mode == "tripped"


def test_frozen_and_woken_acts_on_nothing_old() -> None:
    """L1: after 3 s frozen the watchdog is looked at before the burst of old setpoints, and none of them acts."""
    rig = Rig().spin()
    burst: list[Setpoint] = []
    frozen_s = rig.now
    for step in range(150):
        rig.now = frozen_s + 0.02 * step
        burst.append(rig.setpoint(rpm=5000.0, feeding=True, feeds=((500 + step, rig.now + 0.3),)))
    fed = list(rig.fed)
    for message in burst:
        rig.give(message)
    assert rig.core.mode == "tripped"
    rig.quiet(1.0)
    assert rig.fed == fed and rig.board.rpm["top"] == 0.0


def test_the_watchdog_rests_while_nothing_moves() -> None:
    """L16: disarmed with wheels at zero, silence trips nothing."""
    rig = Rig().greet()
    rig.quiet(3.0)
    assert rig.core.mode == "disarmed"


@pytest.mark.parametrize("field", ["watchdog_feed_ms", "watchdog_stop_ms"])
@pytest.mark.parametrize("value", [0, -1, 1e9, 501], ids=str)
def test_the_watchdog_cannot_be_switched_off(field: str, value: float) -> None:
    """L4: a hello with watchdog times of 0, below, or longer than the protocol's is refused whole."""
    rig = Rig()
    hello = json.loads(encode(rig.hello()))
    hello[field] = value
    rig.give(json.dumps(hello).encode())
    assert rig.core.session is None and len(rig.reasons()) == 1


def test_a_shorter_watchdog_is_taken() -> None:
    """L4: a daemon may ask for a stricter watchdog."""
    rig = Rig()
    rig.tick()
    rig.give(rig.hello(watchdog_feed_ms=100.0, watchdog_stop_ms=200.0))
    rig.epoch = 1
    rig.give(rig.order("arm"))
    rig.run(0.1)
    rig.quiet(0.21)
    assert rig.core.mode == "tripped"


@pytest.mark.parametrize(
    "wheel",
    [{"high_rpm": 6001.0}, {"low_rpm": -1.0}, {"up_rpm_per_s": 4001.0}, {"quick_rpm_per_s": 9000.0}],
    ids=lambda change: next(iter(change)),
)
def test_limits_beyond_the_own_are_not_taken(wheel: dict[str, float]) -> None:
    """L5: limits beyond the driver's own are not taken, the hash is left out of the status, and nothing arms."""
    rig = Rig()
    rig.tick()
    rig.give(rig.hello(limits=LIMITS.model_copy(update={"top": LIMITS.top.model_copy(update=wheel)})))
    assert rig.status().limits_hash is None and rig.core.session == SESSION
    rig.give(rig.order("arm", epoch=1))
    assert rig.core.mode == "disarmed" and rig.core.mode_reason == "arm refused: limits not agreed"


def test_a_hash_that_does_not_fit_is_not_taken() -> None:
    """L5: limits whose hash differs from what they come to are not taken."""
    rig = Rig()
    rig.tick()
    rig.give(rig.hello(limits_hash="0" * 16))
    assert rig.status().limits_hash is None


def test_lower_limits_hold_from_then_on() -> None:
    """L5: limits within the own are taken, told by their hash, and bound every setpoint."""
    lower = LIMITS.model_copy(update={"top": LIMITS.top.model_copy(update={"high_rpm": 2000.0})})
    rig = Rig()
    rig.tick()
    rig.give(rig.hello(limits=lower))
    assert rig.status().limits_hash == lower.digest()
    rig.give(rig.setpoint(rpm=2001.0))
    assert rig.reasons() == ["top.rpm 2001 is outside 0..2000"]


def test_limits_do_not_change_while_armed() -> None:
    """L5: a hello of the same session changes no limit while armed."""
    rig = Rig().arm()
    lower = LIMITS.model_copy(update={"top": LIMITS.top.model_copy(update={"high_rpm": 2000.0})})
    rig.give(rig.hello(limits=lower))
    assert rig.core.limits == LIMITS


def test_a_new_session_stops_what_the_old_one_ran() -> None:
    """L3: another daemon's hello closes the feed, drops the queue, brings the wheels down, and starts at epoch 0."""
    rig = Rig().spin()
    answers = rig.give(rig.hello(session="session-2"))
    assert isinstance(answers[0], DriverHello)
    assert rig.core.mode == "stopping" and not rig.core.gate.open and rig.core.epoch == 0
    rig.run(0.4, rpm=3000.0, session="session-2", epoch=0)
    assert rig.core.mode == "disarmed" and rig.board.rpm["top"] == 0.0


def test_an_old_session_does_not_come_back() -> None:
    """L3: a late copy of an earlier daemon's hello is refused."""
    rig = Rig().greet()
    rig.give(rig.hello(session="session-2"))
    rig.give(rig.hello(session=SESSION))
    assert rig.core.session == "session-2" and rig.reasons() == ["an old session"]


def test_a_repeated_hello_is_not_answered() -> None:
    """L6: only a new session is answered with a hello, so that two sides never greet each other for ever."""
    rig = Rig().greet()
    assert not any(isinstance(frame, DriverHello) for frame in rig.give(rig.hello()))


def test_a_ping_is_answered_at_once_also_before_hello() -> None:
    """L7: the answer carries the ping's number and the clock of reading it."""
    rig = Rig()
    rig.now += 1.25
    assert rig.give(Ping(n=7))[0] == Pong(n=7, now_s=rig.now)
