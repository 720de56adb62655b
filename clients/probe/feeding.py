"""Checks that ask for balls. They run only if the person at the probe allowed it.

It is best to leave the hopper empty. But only loaded balls can show whether the exit sensor sees one.

Rule of this file: the result that the driver reports for an id counts; an exit sensor, if there is one, must agree.
"""

from collections.abc import Generator

from drillfeed.clients.probe.bench import Bench, SetpointRequest
from drillfeed.clients.probe.check import Check
from drillfeed.clients.probe.standing import (
    SLACK_S,
    armed,
    blind,
    low_rpm,
    outputs,
    rest_and_stream,
    still,
    turning,
    up_rate,
)
from drillfeed.clients.probe.steps import Fails, NotKnown, NotReached, Pause, Steps
from drillfeed.clients.probe.turning import more_rpm
from drillfeed.protocol.link import LATE_S, LEAD_S, FeedResult

CYCLE_S = 1.5
FEEDS_MAX = 8


def result(bench: Bench, id: int, max_s: float = 1.0) -> Generator[None, None, FeedResult]:
    """Wait for the first final result of an id."""
    if not (yield from bench.until(lambda: bool(bench.balls.results(id)), max_s)):
        told = "still unknown" if bench.balls.is_unknown(id) else "not reported"
        raise Fails(f"the result of feed {id} is {told} after {max_s:.1f} s")
    return bench.balls.results(id)[0]


def refused(bench: Bench, id: int, what: str, max_s: float = 1.0) -> Steps:
    """Wait for a feed to be refused; return the reason."""
    told = yield from result(bench, id, max_s)
    if told.result != "refused":
        raise Fails(f"a ball was pushed: {what}")
    if not told.reason:
        raise Fails(f"refused without a reason: {what}")
    return f"refused: {told.reason}"


def exits(bench: Bench) -> int | None:
    """Return how many balls the exit sensor has seen; None without a sensor."""
    if not bench.driver_hello.exit_sensor:
        return None
    return bench.status.exits[-1].n if bench.status.exits else 0


def ready(bench: Bench) -> Pause:
    """Turn the wheels slowly and open the feed."""
    yield from turning(bench)
    bench.requested = still(bench, feeding=True)
    if not (yield from bench.until(lambda: bench.status.feeding, LEAD_S + 0.3)):
        raise NotReached("the feed does not open")
    yield from bench.wait(0.2)


def not_armed(bench: Bench) -> Steps:
    """Ask for a ball while disarmed."""
    yield from rest_and_stream(bench)
    id = bench.next_id()
    bench.send(bench.setpoint(still(bench, feeding=True, feeds=((id, bench.driver_s() + 0.1),))))
    return (yield from refused(bench, id, f"mode {bench.status.mode}"))


def sees_exits(bench: Bench) -> Steps:
    """With a ball loaded and the wheels at speed, push the ball and wait for the exit sensor."""
    if not bench.driver_hello.exit_sensor:
        raise NotKnown("does not apply: the hello says that there is no exit sensor")
    if not bench.balls.loaded:
        raise NotKnown("no ball is loaded, so the sensor can't be checked. Load some, then run with --feed --balls N")
    if not bench.balls.left:
        raise NotKnown(
            f"none of the {bench.balls.loaded} loaded balls is left. Load more, then run with --feed --balls N"
        )
    yield from ready(bench)
    before, id = exits(bench) or 0, bench.next_id()
    bench.send(bench.setpoint(still(bench, feeds=((id, bench.driver_s() + 0.2),))))
    told = yield from result(bench, id)
    if told.result != "done":
        raise NotReached(f"the ball was refused: {told.reason}")
    if not (yield from bench.until(lambda: (exits(bench) or 0) > before, CYCLE_S)):
        raise Fails(
            f"a ball was pushed and {bench.balls.loaded} are loaded, but the exit sensor that the hello declares saw "
            f"no ball within {CYCLE_S:g} s. Look for a jam, an empty hopper, or a blind or missing sensor"
        )
    seen = next(ball for ball in bench.status.exits if ball.n > before)
    return f"seen leaving {(seen.at_s - told.at_s) * 1000:.0f} ms after its push"


def one_ball(bench: Bench) -> Steps:
    """With the wheels at speed, ask for one ball in every setpoint for half a second."""
    yield from ready(bench)
    before, id = exits(bench), bench.next_id()
    at_s = bench.driver_s() + 0.35
    bench.requested = still(bench, feeds=((id, at_s),))
    yield from bench.wait(0.55)
    bench.requested = still(bench, feeds=())
    told = yield from result(bench, id)
    if told.result != "done":
        raise Fails(f"refused: {told.reason}")
    off_s = told.at_s - at_s
    if not -0.001 <= off_s <= LATE_S + 0.001:
        raise Fails(f"pushed {off_s * 1000:+.1f} ms from its moment; 0 to 20 ms late is allowed")
    yield from bench.wait(CYCLE_S)
    done = sum(feed.result == "done" for feed in bench.balls.results(id))
    left = exits(bench)
    if done != 1 or (left is not None and before is not None and left - before > 1):
        raise Fails(f"reported done {done} times; {left} balls seen leaving in all, {before} of them before this check")
    early = [
        ball.at_s - at_s for ball in bench.status.exits if before is not None and before < ball.n and ball.at_s < at_s
    ]
    if early:
        raise Fails(f"reported done on time, but a ball was seen leaving {-early[0] * 1000:.0f} ms before its moment")
    seen = "no exit sensor" if left is None or before is None else f"{left - before} seen leaving"
    return f"done {off_s * 1000:+.1f} ms from its moment, once; {seen}"


def id_used(bench: Bench) -> Steps:
    """Ask a second later for a ball with an id that was used already."""
    yield from ready(bench)
    id = bench.next_id()
    bench.send(bench.setpoint(still(bench, feeds=((id, bench.driver_s() + 0.2),))))
    first = yield from result(bench, id)
    if first.result != "done":
        raise NotReached(f"the first ball was refused: {first.reason}")
    yield from bench.wait(CYCLE_S)
    before = exits(bench)
    bench.send(bench.setpoint(still(bench, feeds=((id, bench.driver_s() + 0.2),))))
    yield from bench.wait(CYCLE_S)
    told = bench.balls.results(id)[1:]
    if any(feed.result == "done" for feed in told) or exits(bench) != before:
        raise Fails("a second ball was pushed for the same id")
    if not told:
        raise Fails("the second feed of that id is not reported as refused")
    return f"refused: {told[0].reason}"


def late(bench: Bench) -> Steps:
    """Ask for a ball whose moment is 40 ms past."""
    yield from ready(bench)
    id = bench.next_id()
    late_s = LATE_S + 0.020 + bench.clock.error_s
    bench.send(bench.setpoint(still(bench, feeds=((id, bench.driver_s() - late_s),))))
    return (yield from refused(bench, id, f"{late_s * 1000:.0f} ms after its moment"))


def out_of_band(bench: Bench) -> Steps:
    """Ask for a ball in the middle of a slow rise of the wheels."""
    if blind(bench):
        raise NotKnown(
            "cannot be checked without feedback: only the daemon's plan keeps balls away from changing wheel speeds"
        )
    yield from ready(bench)
    id, goal = bench.next_id(), more_rpm(bench)
    gap = goal - low_rpm(bench)
    if gap < 4 * low_rpm(bench) * 0.02:
        raise NotReached(f"the limits leave two speeds too close together: {low_rpm(bench):.0f} and {goal:.0f} rpm")
    at_s = bench.driver_s() + LEAD_S + 0.3
    bench.requested = SetpointRequest(goal, goal, ramp_rpm_per_s=gap, feeding=True, feeds=((id, at_s),))
    yield from bench.wait(LEAD_S + 0.35)
    at_rpm = outputs(bench.status)
    bench.requested = still(bench, feeds=())
    told = yield from refused(bench, id, f"wheels at {at_rpm[0]:.0f} rpm, target in force {goal:.0f}")
    if bench.balls.results(id)[0].at_s > at_s + LATE_S:
        raise NotReached(f"the driver judged the feed too late to check the wheels: {told}")
    return told


def closing(bench: Bench) -> Steps:
    """Let a ball wait, then close the feed before its moment."""
    yield from ready(bench)
    id = bench.next_id()
    bench.send(bench.setpoint(still(bench, feeds=((id, bench.driver_s() + 0.3),))))
    yield from bench.wait(0.1)
    bench.requested = still(bench, feeding=False)
    return (yield from refused(bench, id, "feeding false was sent 200 ms before its moment"))


def epoch_refuses(bench: Bench) -> Steps:
    """Let a ball wait, then begin a new epoch with the feed open."""
    yield from ready(bench)
    id = bench.next_id()
    bench.send(bench.setpoint(still(bench, feeds=((id, bench.driver_s() + 0.4),))))
    yield from bench.wait(0.05)
    bench.new_epoch()
    bench.requested = still(bench, lead_s=0.1)
    return (yield from refused(bench, id, "a newer epoch came before its moment"))


def stop_refuses(bench: Bench) -> Steps:
    """Let a ball wait, then stop before its moment."""
    yield from ready(bench)
    id = bench.next_id()
    bench.send(bench.setpoint(still(bench, feeds=((id, bench.driver_s() + 0.3),))))
    yield from bench.wait(0.1)
    bench.requested = None
    bench.send(bench.order("stop", session="somebody-else", epoch=0))
    return (yield from refused(bench, id, "a stop came 200 ms before its moment"))


def silence_refuses(bench: Bench) -> Steps:
    """Let a ball wait for 380 ms, and fall silent."""
    yield from ready(bench)
    id = bench.next_id()
    bench.requested = None
    last = still(bench, feeding=True, ramp_rpm_per_s=up_rate(bench))
    request = SetpointRequest(
        low_rpm(bench), low_rpm(bench), last.ramp_rpm_per_s, feeding=True, lead_s=0.05, stay_s=0.9
    )
    bench.send(bench.setpoint(request))
    feeds = bench.setpoint(SetpointRequest(feeds=((id, bench.driver_s() + 0.38),))).feeds
    bench.send(bench.setpoint(request, feeds=feeds))
    return (yield from refused(bench, id, "no setpoint had come for 380 ms"))


def too_many(bench: Bench) -> Steps:
    """Ask for nine balls in one setpoint, and for one 3 s ahead."""
    yield from armed(bench)
    bench.requested = None
    yield from bench.wait(SLACK_S)
    seq, now_s = bench.status.seq, bench.driver_s()
    nine = tuple((bench.next_id(), now_s + 1.0 + n / 10) for n in range(FEEDS_MAX + 1))
    bench.send(bench.setpoint(SetpointRequest(feeding=True, feeds=nine)))
    bench.send(bench.setpoint(SetpointRequest(feeding=True, feeds=((bench.next_id(), now_s + 3.0),))))
    yield from bench.wait(0.1)
    if bench.status.seq != seq:
        raise Fails(f"accepted: seq went from {seq} to {bench.status.seq}")
    return bench.last_refusal


CHECKS: tuple[Check, ...] = (
    Check("feed-not-armed", "L14", "asks for a ball while disarmed", "refused", not_armed, "feeding"),
    Check("too-many-feeds", "L8", "asks for nine balls, and for a ball 3 s ahead",
          "refused whole", too_many, "feeding"),
    Check("exit-sensor", "Messages", "pushes a ball, if --balls says that some are loaded",
          "the sensor that the hello declares sees it", sees_exits, "feeding"),
    Check("one-ball", "L17", "asks for one ball in 25 setpoints",
          "one ball, 0 to 20 ms after its moment", one_ball, "feeding"),
    Check("id-used", "L30", "asks again for the same id", "refused, and reported", id_used, "feeding"),
    Check("late", "L17", "asks for a ball whose moment is 40 ms past", "refused", late, "feeding"),
    Check("out-of-band", "L17", "asks for a ball while wheels rise", "refused", out_of_band, "feeding"),
    Check("closing-refuses", "L14", "closes the feed while a ball waits", "refused", closing, "feeding"),
    Check("epoch-refuses", "L11", "begins an epoch while a ball waits", "refused", epoch_refuses, "feeding"),
    Check("stop-refuses", "L18", "stops while a ball waits", "refused", stop_refuses, "feeding"),
    Check("silence-refuses", "L16", "falls silent while a ball waits",
          "refused at 250 ms", silence_refuses, "feeding"),
)  # fmt: skip
