"""`python -m tests.engine.stops_at_random`: stop or pause at random instants, with the shipped code on a virtual clock.

    python -m tests.engine.stops_at_random --times 10000
    python -m tests.engine.stops_at_random --act pause --machine kit-build --times 500 --seed 3

Each instant is tried in a copy of the process (fork), so that one drill gives thousands of independent stops. Judged on
the driver's log: no actuation once the stop (the new epoch of a pause) is read, read within one-way delay and a tick,
feed closed with it, at most one ball still leaving, setpoints in bounds; every fifth stop is followed until the wheels
stand, within the profile's time.
"""

import argparse
import sys
import time
from collections.abc import Sequence
from typing import Any

import numpy as np

from drillfeed.protocol.link import TICK_S
from tests.support.driver_log import times
from tests.support.forked import in_a_copy
from tests.support.halls import WatchedHall, drill_plan, machine

# One way. Beyond 10 ms nothing arms: the driver's clock would not be known well enough.
DELAYS_S = (0.001, 0.004, 0.008)
ROUND_S = 25.0
TICK_DRIVER_S = 0.005
FOLLOWED_S = 1.5
TO_REST_EVERY = 5


def judge(hall: WatchedHall, act: str, to_rest: bool = True) -> dict[str, Any]:
    """Stop or pause now; go on until the wheels stand, or for a second and a half, and say what was seen."""
    now_s, offset_s = hall.hall.now_s, hall.hall.driver_offset_s
    state = hall.state
    open_before = len(times(hall.log, "feed_opened")) > len(times(hall.log, "feed_closed"))
    reply = hall.hall.say(act)
    problems = [] if reply.ok else [reply.text]
    if act == "stop" and "stopping" not in reply.text:
        problems.append(f"reply: {reply.text}")
    spin_s = 2.2 * hall.on.spin_down_s + 4.0
    if act == "stop" and to_rest:
        if not hall.hall.until_state("IDLE", max_s=spin_s):
            problems.append(f"not at rest after {spin_s:g} s: {hall.state}")
    else:
        hall.hall.run_for(FOLLOWED_S)
    sent_s = now_s + offset_s
    read = times(hall.log, "stop" if act == "stop" else "epoch", sent_s - 1e-9)
    read_s = read[0] if read else None
    meant = act == "stop" or state in ("SPINUP", "FEEDING", "RESTING")
    if read_s is None and meant:
        problems.append("never read by the driver")
    closed_s = max(times(hall.log, "feed_closed", sent_s - 1e-9)[:1], default=read_s) if open_before else read_s
    after = [event for event in hall.feeds() if event["t"] > (closed_s or sent_s) + 1e-9]
    if after:
        problems.append(f"{len(after)} actuations after it")
    left = [event for event in hall.log if event["event"] == "leaves" and event["t"] > (read_s or sent_s)]
    if len(left) > 1:
        problems.append(f"{len(left)} balls left after it")
    try:
        hall.sound()
    except AssertionError as broken:
        problems.append(str(broken)[:300])
    took_ms = None if closed_s is None else (closed_s - sent_s) * 1000
    if (
        took_ms is not None
        and took_ms > (hall.delay_s + TICK_DRIVER_S + (0.0 if act == "stop" else TICK_S)) * 1000 + 0.1
    ):
        problems.append(f"took {took_ms:.1f} ms")
    return {
        "state": state,
        "took_ms": took_ms,
        "left": len(left),
        "rest_s": hall.hall.now_s - now_s if to_rest else 0.0,
        "problems": problems,
    }


def try_many(on: str, act: str, count: int, seed: int, a_round: int = 250) -> list[dict[str, Any]]:
    """Run drill after drill and try `a_round` instants in each; return what was seen at each."""
    rng = np.random.default_rng(seed)
    found: list[dict[str, Any]] = []
    began_s, said_s = time.monotonic(), 0.0
    while len(found) < count:
        profile = machine(on)
        hall = WatchedHall(profile, delay_s=DELAYS_S[int(rng.integers(3))], seed=int(rng.integers(2**31)))
        hall.started(drill_plan(profile, sets=(6, 6), rest_s=float(rng.choice([2.0, 11.0]))))
        start_s = hall.hall.now_s
        for at_s in np.sort(rng.uniform(0.0, ROUND_S, min(a_round, count - len(found)))):
            hall.hall.run_until(lambda until_s=start_s + at_s: hall.hall.now_s >= until_s, ROUND_S)  # type: ignore[misc]  # noqa: B023
            to_rest = len(found) % TO_REST_EVERY == 0
            told = in_a_copy(lambda hall=hall, to_rest=to_rest: judge(hall, act, to_rest))  # type: ignore[misc]
            found.append({"state": "", "took_ms": None, "left": 0, "rest_s": 0.0, **told})
            if time.monotonic() - said_s > 10.0:
                said_s = time.monotonic()
                bad = sum(bool(trial["problems"]) for trial in found)
                print(f"{len(found):>6} of {count}, {bad} wrong, {said_s - began_s:.0f} s", file=sys.stderr, flush=True)
    return found


def summary(on: str, act: str, found: Sequence[dict[str, Any]]) -> str:
    """Return the figures as one line."""
    took = np.array([trial["took_ms"] for trial in found if trial["took_ms"] is not None])
    states = {
        state: sum(trial["state"] == state for trial in found) for state in sorted({trial["state"] for trial in found})
    }
    bad = [trial for trial in found if trial["problems"]]
    figures = f"p50 {np.percentile(took, 50):.1f}, p99 {np.percentile(took, 99):.1f}, worst {took.max():.1f} ms"
    left = sum(trial["left"] for trial in found)
    rest = f"; at rest after {max(trial['rest_s'] for trial in found):.1f} s at most" if act == "stop" else ""
    line = f"{act:<5} {on:<10} {len(found)} times, {len(bad)} wrong; feed closed: {figures}; {left} balls left after"
    return f"{line}{rest}; states {states}" + "".join(f"\n  {trial['state']}: {trial['wrong']}" for trial in bad[:5])


def main(argv: Sequence[str] | None = None) -> int:
    """Try, print the figures, and exit 0 only if nothing was wrong."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--act", choices=["stop", "pause"], action="append")
    parser.add_argument("--machine", action="append")
    parser.add_argument("--times", type=int, default=10_000, help="of each act, over all machines")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(argv)
    machines = args.machine or ["club-build", "kit-build"]
    failed = 0
    for act in args.act or ["stop", "pause"]:
        for on in machines:
            found = try_many(on, act, args.times // len(machines), args.seed)
            failed += sum(bool(trial["problems"]) for trial in found)
            print(summary(on, act, found), flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
