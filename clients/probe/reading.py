"""Checks of what a driver accepts and what it refuses, while disarmed."""

import json
from collections.abc import Sequence

from drillfeed.clients.probe.bench import Bench
from drillfeed.clients.probe.check import Check
from drillfeed.clients.probe.standing import READ_S, read, rest_and_stream
from drillfeed.clients.probe.steps import Fails, Pause, Steps
from drillfeed.protocol.link import FRAME_BYTES_MAX, AngleLimits

AHEAD = 1000
FLOOD = 200


def heartbeat(bench: Bench) -> Steps:
    """Send setpoints for half a second, then none for 200 ms."""
    yield from rest_and_stream(bench)
    mark = bench.now
    yield from bench.wait(0.5)
    if bench.status.seq is None or bench.seq - bench.status.seq > 5:
        raise Fails(f"the newest seq sent is {bench.seq}; the status shows {bench.status.seq}. {bench.last_refusal}")
    ages = [status.watchdog_age_ms for status in bench.since(mark)]
    oldest = max((age if age is not None else 1e9) for age in ages)
    if oldest > READ_S * 1000:
        raise Fails(f"watchdog_age_ms goes up to {oldest:g} with a setpoint each 20 ms")
    bench.requested = None
    yield from bench.wait(0.2)
    age = bench.status.watchdog_age_ms
    if age is None or not 120 <= age <= 260:
        raise Fails(f"watchdog_age_ms is {age} after 200 ms without a setpoint")
    return f"seq {bench.status.seq} shown; age {age:.0f} ms after 200 ms of silence"


def passes_over(bench: Bench) -> Steps:
    """Send setpoints with a field of a later version, with integers, with null, and with a very fast ramp."""
    yield from rest_and_stream(bench)
    bench.requested = None
    for what, frame in (
        ("an unknown field", bench.raw(later={"x": [1, None]})),
        ("integers", bench.raw(top={"rpm": 0, "ramp_rpm_per_s": 500})),
        ("null for absent", bench.raw(pan=None)),
        ("a ramp of 1e9", bench.raw(top={"rpm": 0.0, "ramp_rpm_per_s": 1e9})),
    ):
        seq = json.loads(frame)["seq"]
        bench.send(frame)
        yield from read(bench)
        if bench.status.seq != seq:
            raise Fails(f"a setpoint with {what} is not accepted. {bench.last_refusal}")
    return "all accepted"


def _refuses(bench: Bench, frames: Sequence[tuple[str, bytes]], listed: bool = True) -> Steps:
    """Send bad frames one by one; each must be listed, and none may be accepted or change anything."""
    bench.requested = None
    yield from read(bench)
    status = bench.status
    before = (status.session, status.epoch, status.seq, status.mode, status.feeding, status.limits_hash)
    for what, frame in frames:
        refused = bench.refused
        bench.send(frame)
        yield from read(bench)
        if bench.silent_s > READ_S:
            yield from bench.wait(0.5)
            raise Fails(f"{what}: no status came for {bench.silent_s:.1f} s after this frame")
        status = bench.status
        after = (status.session, status.epoch, status.seq, status.mode, status.feeding, status.limits_hash)
        if after != before:
            changed = next(f"{old} became {new}" for old, new in zip(before, after, strict=True) if old != new)
            raise Fails(f"{what}: it was not refused whole ({changed})")
        if listed and bench.refused != refused + 1:
            raise Fails(f"{what}: refusals went up by {bench.refused - refused}; each frame must be listed once")
    return f"{len(frames)} refused; the last as {bench.last_refusal!r}"


def garbage(bench: Bench) -> Steps:
    """Send frames that are not messages."""
    yield from rest_and_stream(bench)
    whole = bench.raw()
    return (
        yield from _refuses(
            bench,
            [
                ("an empty frame", b""),
                ("random bytes", bytes((7 * i * i + 13 * i) % 256 for i in range(200))),
                ("an empty object", b"{}"),
                ("a list", b"[" + whole + b"]"),
                ("half a setpoint", whole[: len(whole) // 2]),
                ("a word", b'"stop"'),
                ("a number", b"1"),
                ("an unknown kind", bench.raw(kind="dance")),
                ("a kind that is a number", bench.raw(kind=3)),
                ("deep brackets", b"[" * 5000),
                ("a setpoint and more", whole + b" x"),
            ],
        )
    )


def bad_fields(bench: Bench) -> Steps:
    """Send setpoints with one bad field each."""
    yield from rest_and_stream(bench)
    bench.seq += AHEAD
    target = {"rpm": 0.0, "ramp_rpm_per_s": 500.0}
    nan = bench.raw(top={"rpm": "?", "ramp_rpm_per_s": 500.0})
    return (
        yield from _refuses(
            bench,
            [
                ("rpm NaN", nan.replace(b'"?"', b"NaN")),
                ("rpm Infinity", nan.replace(b'"?"', b"Infinity")),
                ("rpm 1e999", nan.replace(b'"?"', b"1e999")),
                ("rpm as a word", bench.raw(top={"rpm": "0", "ramp_rpm_per_s": 500.0})),
                ("rpm true", bench.raw(top={"rpm": True, "ramp_rpm_per_s": 500.0})),
                ("no wheel bottom", bench.raw(bottom=...)),
                ("no ramp", bench.raw(top={"rpm": 0.0})),
                ("ramp 0", bench.raw(top={**target, "ramp_rpm_per_s": 0.0})),
                ("seq -1", bench.raw(seq=-1)),
                ("seq 1.5", bench.raw(seq=bench.seq + 1.5)),
                ("no seq", bench.raw(seq=...)),
                ("no until_s", bench.raw(until_s=...)),
                ("at_s -1", bench.raw(at_s=-1.0)),
                ("feeding 1", bench.raw(feeding=1)),
                ("session as a number", bench.raw(session=5)),
                ("feeds as an object", bench.raw(feeds={})),
            ],
        )
    )


def version(bench: Bench) -> Steps:
    """Send setpoints of other protocol versions, and without a version."""
    yield from rest_and_stream(bench)
    bench.seq += AHEAD
    others = [(f"v {v!r}", bench.raw(v=v)) for v in (2, 0, 9, "1")]
    return (yield from _refuses(bench, [*others, ("no v", bench.raw(v=...))]))


def too_long(bench: Bench) -> Steps:
    """Send a good setpoint padded with blanks to more than a frame may hold."""
    yield from rest_and_stream(bench)
    bench.seq += AHEAD
    return (yield from _refuses(bench, [("17 kB", bench.raw().ljust(FRAME_BYTES_MAX + 616))]))


def beyond(bench: Bench) -> Steps:
    """Send setpoints whose numbers are outside the limits, in rpm, degrees and time."""
    yield from rest_and_stream(bench)
    bench.seq += AHEAD
    limits, now_s = bench.driver_hello.limits, bench.driver_s()
    bad: list[tuple[str, dict[str, object]]] = [
        ("1 rpm too fast", {"bottom": {"rpm": limits.bottom.high_rpm + 1, "ramp_rpm_per_s": 500.0}}),
        ("1 rpm too slow", {"top": {"rpm": min(limits.top.low_rpm, 0.0) - 1, "ramp_rpm_per_s": 500.0}}),
        ("1e9 rpm", {"top": {"rpm": 1e9, "ramp_rpm_per_s": 500.0}}),
        ("until_s = at_s", {"until_s": now_s + 0.5, "at_s": now_s + 0.5}),
        ("until_s before at_s", {"until_s": now_s + 0.4, "at_s": now_s + 0.5}),
        ("a stay of 1.2 s", {"until_s": now_s + 1.5, "at_s": now_s + 0.3}),
        ("3 s ahead", {"until_s": now_s + 4.5, "at_s": now_s + 4.0}),
    ]  # fmt: skip
    for axis in ("tilt", "pan", "roll"):
        reach: AngleLimits | None = getattr(limits, axis)
        deg = 0.0 if reach is None else reach.high_deg + 1
        what = f"{axis}, an axis that it does not have" if reach is None else f"{axis} 1 degree too far"
        bad.append((what, {axis: {"deg": deg, "slew_deg_per_s": 5.0}}))
    return (yield from _refuses(bench, [(what, bench.raw(**changes)) for what, changes in bad]))


def other_session(bench: Bench) -> Steps:
    """Send a setpoint of another session, with a higher epoch."""
    yield from rest_and_stream(bench)
    frames = [
        ("another session", bench.raw(session="somebody-else", seq=bench.seq + AHEAD)),
        ("another session, newer epoch", bench.raw(session="somebody-else", epoch=bench.epoch + 5)),
    ]
    return (yield from _refuses(bench, frames))


def newer_epoch(bench: Bench) -> Steps:
    """Send the first setpoint of a newer epoch, seq 1."""
    yield from rest_and_stream(bench)
    bench.requested = None
    bench.new_epoch()
    bench.send(bench.setpoint())
    yield from read(bench)
    if (bench.status.epoch, bench.status.seq) != (bench.epoch, 1):
        raise Fails(f"the status shows epoch {bench.status.epoch}, seq {bench.status.seq}. {bench.last_refusal}")
    return f"epoch {bench.epoch}, seq 1 shown"


def older_epoch(bench: Bench) -> Steps:
    """Send a setpoint of the previous epoch, with a high seq."""
    yield from rest_and_stream(bench)
    bench.new_epoch()
    yield from read(bench)
    frames = [("an older epoch", bench.raw(epoch=bench.epoch - 1, seq=bench.seq + AHEAD))]
    return (yield from _refuses(bench, frames))


def old_seq(bench: Bench) -> Steps:
    """Send only setpoints with seqs that were used already, for 200 ms."""
    yield from rest_and_stream(bench)
    bench.requested = None
    yield from read(bench)
    newest = bench.status.seq or 0
    for back in range(10):
        bench.send(bench.setpoint(seq=max(newest - back, 0)))
        yield from bench.wait(0.02)
    if bench.status.seq != newest:
        raise Fails(f"the seq shown went from {newest} to {bench.status.seq}")
    age = bench.status.watchdog_age_ms
    if age is None or age < 150:
        raise Fails(f"watchdog_age_ms is {age}: setpoints with an old seq counted as the heartbeat")
    return f"{bench.last_refusal}; the age went up to {age:.0f} ms"


def expired(bench: Bench) -> Steps:
    """Send setpoints whose `until_s` is 40 ms and 2 s past."""
    yield from rest_and_stream(bench)
    bench.seq += AHEAD
    late_s = bench.clock.error_s + 0.040
    frames = []
    for past_s in (late_s, 2.0):
        until_s = max(bench.driver_s() - past_s, 0.002)
        late = bench.raw(at_s=max(until_s - 0.3, 0.001), until_s=until_s)
        frames.append((f"until_s {past_s * 1000:.0f} ms past", late))
    return (yield from _refuses(bench, frames))


def no_flood(bench: Bench) -> Steps:
    """Send 200 frames of garbage within 100 ms."""
    yield from rest_and_stream(bench)
    refused, mark = bench.refused, bench.frames_in
    for _ in range(10):
        for _ in range(FLOOD // 10):
            bench.send(b"garbage")
        yield from bench.wait(0.01)
    yield from _drained(bench, refused + FLOOD)
    count, listed = bench.frames_in - mark, bench.refused - refused
    if listed < FLOOD:
        raise Fails(f"{listed} of {FLOOD} frames are counted in refusals")
    if count > FLOOD // 2:
        raise Fails(f"{count} frames came back while {FLOOD} were sent; refusals must be listed in the next status")
    return f"{count} frames came back"


def _drained(bench: Bench, refused: int) -> Pause:
    yield from bench.until(lambda: bench.refused >= refused, 0.6)
    yield from read(bench)


CHECKS: tuple[Check, ...] = (
    Check("heartbeat", "L14", "sends setpoints, then none for 200 ms",
          "shows the newest seq and the true age", heartbeat),
    Check("passes-over", "Socket", "sends unknown fields, integers, null, a ramp of 1e9", "accepted", passes_over),
    Check("garbage", "L2", "sends eleven frames that are not messages",
          "refused and listed, nothing else changes", garbage),
    Check("bad-fields", "L2", "sends NaN, 1e999, words for numbers, missing fields",
          "refused whole and listed", bad_fields),
    Check("version", "L2", "sends other protocol versions, and no version", "refused and listed", version),
    Check("too-long", "L2", "sends a frame of 17,000 bytes", "refused and listed", too_long),
    Check("beyond-limits", "L8", "asks for more than the limits allow, and for impossible times",
          "refused whole", beyond),
    Check("other-session", "L9", "sends a setpoint of another session", "refused", other_session),
    Check("newer-epoch", "L11", "sends seq 1 of a newer epoch", "the status shows both", newer_epoch),
    Check("older-epoch", "L10", "sends a setpoint of the previous epoch", "refused", older_epoch),
    Check("old-seq", "L12", "sends seqs that were used already", "refused, and not counted as heartbeat", old_seq),
    Check("expired", "L13", "sends setpoints that have expired", "refused", expired),
    Check("no-flood", "L27", "sends 200 frames of garbage", "counted, not answered one by one", no_flood),
)  # fmt: skip
