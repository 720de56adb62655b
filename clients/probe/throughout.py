"""Checks of what must hold in every status of the run. They are judged after all other checks."""

from itertools import pairwise

from drillfeed.clients.probe.bench import Bench
from drillfeed.clients.probe.check import Check
from drillfeed.clients.probe.standing import RATE_SLACK, STEP_SLACK_S, blind, outputs, wheels
from drillfeed.clients.probe.steps import Fails, Steps


def never_jumps(bench: Bench) -> Steps:
    """Look at each step of an output between two statuses."""
    yield
    rates = [max(wheel.up_rpm_per_s, wheel.down_rpm_per_s, wheel.quick_rpm_per_s) for wheel in wheels(bench)]
    for earlier, later in pairwise(bench.seen):
        dt_s = later.status.now_s - earlier.status.now_s
        if later.status.boot != earlier.status.boot:
            continue
        for name, before, after, rate in zip(
            ("top", "bottom"), outputs(earlier.status), outputs(later.status), rates, strict=True
        ):
            if abs(after - before) > rate * RATE_SLACK * (dt_s + STEP_SLACK_S):
                raise Fails(f"{name} went from {before:.0f} to {after:.0f} rpm in {dt_s * 1000:.0f} ms")
    return f"{len(bench.seen)} statuses"


def within_limits(bench: Bench) -> Steps:
    """Look at each output."""
    yield
    for seen in bench.seen:
        for name, rpm, limits in zip(("top", "bottom"), outputs(seen.status), wheels(bench), strict=True):
            if not min(limits.low_rpm, 0.0) <= rpm <= limits.high_rpm:
                raise Fails(f"{name} output at {rpm:.0f} rpm; limits {limits.low_rpm:g}..{limits.high_rpm:g}")
    return f"{len(bench.seen)} statuses"


def feed_only_armed(bench: Bench) -> Steps:
    """Look for an open feed in a mode other than armed."""
    yield
    for seen in bench.seen:
        if seen.status.feeding and seen.status.mode != "armed":
            raise Fails(f"feeding is true in mode {seen.status.mode}")
    return f"{len(bench.seen)} statuses"


def one_boot(bench: Bench) -> Steps:
    """Count the boot ids."""
    yield
    if len(bench.boots) > 1:
        raise Fails(f"the driver restarted {len(bench.boots) - 1} times: boots {', '.join(bench.boots)}")
    return f"boot {bench.boots[0]}"


def forward(bench: Bench) -> Steps:
    """Check that clock, epoch and seq never go back."""
    yield
    for earlier, later in pairwise(bench.seen):
        a, b = earlier.status, later.status
        if a.boot != b.boot:
            continue
        if b.now_s < a.now_s:
            raise Fails(f"now_s went back from {a.now_s:.3f} to {b.now_s:.3f}")
        if a.session == b.session and (b.epoch, b.seq or -1) < (a.epoch, a.seq or -1):
            raise Fails(f"epoch {a.epoch} seq {a.seq} was followed by epoch {b.epoch} seq {b.seq}")
    return f"{len(bench.seen)} statuses"


def frames(bench: Bench) -> Steps:
    """Count the frames that were not messages."""
    yield
    if bench.bad_frames:
        raise Fails(f"{len(bench.bad_frames)} frames are not messages; the first: {bench.bad_frames[0]}")
    return f"{bench.frames_in} frames"


def no_guess(bench: Bench) -> Steps:
    """Look for measured speeds from a driver that measures none, and for rest that can't be known."""
    yield
    for seen in bench.seen:
        status = seen.status
        if blind(bench) and (status.top.measured_rpm is not None or status.bottom.measured_rpm is not None):
            raise Fails("the status gives measured_rpm, but the hello says feedback none")
        if status.at_rest and outputs(status) != (0.0, 0.0):
            raise Fails(f"at_rest is true with outputs at {outputs(status)} rpm")
    return f"{len(bench.seen)} statuses"


CHECKS: tuple[Check, ...] = (
    Check("never-jumps", "L25", "looks at all statuses", "no step above the highest rate", never_jumps),
    Check("within-limits", "L8", "looks at all statuses", "outputs within the limits", within_limits),
    Check("feed-only-armed", "L18", "looks at all statuses", "no open feed unless armed", feed_only_armed),
    Check("never-guesses", "L24", "looks at all statuses", "nothing is reported as more certain than it is", no_guess),
    Check("goes-forward", "L12", "looks at all statuses", "clock, epoch and seq never go back", forward),
    Check("one-boot", "Messages", "looks at all statuses", "the driver did not restart", one_boot),
    Check("all-frames", "Socket", "looks at all frames", "each is a message", frames),
)  # fmt: skip
