"""The dialogue of a guided calibration: throw test balls one by one and ask where each landed.

Rule of this file: each ball is thrown only when the person says so, with a start that the daemon checks like any other.
A ball that nobody saw landing leaves no mark, never a zero.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from drillfeed.protocol.lines import Reply
from drillfeed.protocol.plain import cell
from drillfeed.protocol.status import BallInfo, Snapshot

POLL_S = 0.25
LONGEST_THROW_S = 90.0
NEAREST_CM, FARTHEST_CM = -137.0, 400.0


class Thrower(Protocol):
    """What the dialogue needs of a client."""

    def snapshot(self) -> Snapshot:
        """Return the status as data."""

    def throw(self, ball: str, stop_count: int) -> Reply:
        """Throw one ball."""


@dataclass(frozen=True)
class Landing:
    """One test ball: its type, the setting as told (rpm, degrees), and where it landed past the net in cm."""

    ball: str
    top_rpm: float
    bottom_rpm: float
    tilt_deg: float
    depth_cm: float


class BrokenOff(Exception):
    """The dialogue ended before its last ball; the text says why. The marks so far are kept."""


def collect(
    client: Thrower,
    balls: Sequence[str],
    ask: Callable[[str], str],
    tell: Callable[[str], None],
    wait: Callable[[float], None],
    keep: Callable[[Landing], None],
) -> None:
    """Throw each ball when told to, ask for its mark, and pass it to `keep`; raise BrokenOff if it can't go on.

    `ask` returns a typed line; `wait` waits for the given number of seconds.
    """
    for n, ball in enumerate(balls, 1):
        if ask(f"ball {n} of {len(balls)}, {ball}: Enter throws it, e ends: ").strip().lower().startswith("e"):
            raise BrokenOff("ended by hand")
        thrown = _throw(client, ball, tell, wait)
        if thrown is None:
            continue
        depth_cm = _mark(ask, tell)
        if depth_cm is None:
            tell("not marked")
        elif thrown.top_rpm is not None and thrown.bottom_rpm is not None and thrown.tilt_deg is not None:
            keep(Landing(ball, thrown.top_rpm, thrown.bottom_rpm, thrown.tilt_deg, depth_cm))


def _throw(client: Thrower, ball: str, tell: Callable[[str], None], wait: Callable[[float], None]) -> BallInfo | None:
    """Throw one ball and return it once the machine is armed again; return None if the ball did not leave."""
    before = client.snapshot()
    if before.state != "ARMED":
        raise BrokenOff(f"the machine is {before.state}, not armed; next: {before.next_step or 'drillfeed watch'}")
    reply = client.throw(ball, before.stop_count)
    if not reply.ok:
        raise BrokenOff(f"{ball} is refused: {reply.text}")
    tell(reply.text)
    for _ in range(int(LONGEST_THROW_S / POLL_S)):
        wait(POLL_S)
        now = client.snapshot()
        if now.state in ("FAULT", "OFFLINE", "IDLE", "PAUSED") or now.stop_count != before.stop_count:
            raise BrokenOff(f"the machine is {now.state}: {now.reason or 'stopped'}")
        if now.state == "ARMED":
            last = now.last_ball
            if last is None or last.ball != ball or last.result != "fed":
                tell(f"no ball left: {last.reason or last.result if last else 'nothing was fed'}")
                return None
            return last
    raise BrokenOff(f"no end of the throw within {LONGEST_THROW_S:.0f} s")


def _mark(ask: Callable[[str], str], tell: Callable[[str], None]) -> float | None:
    """Ask where the ball first touched until the answer is valid; a blank line means that nobody saw it."""
    while True:
        text = ask("  first touch, cm past the net (before it: negative; not seen: Enter): ").strip()
        if not text:
            return None
        try:
            depth_cm = float(text)
        except ValueError:
            depth_cm = float("nan")
        if NEAREST_CM <= depth_cm <= FARTHEST_CM:
            return depth_cm
        tell(f"found {text!r}; expected a number of cm from {NEAREST_CM:.0f} to {FARTHEST_CM:.0f}, or a blank line")


def as_csv(landings: Sequence[Landing]) -> str:
    """Return the marks as the file that `drillfeed calibrate` reads, with one row for each ball."""
    rows = [f"{x.top_rpm:g},{x.bottom_rpm:g},{x.tilt_deg:g},{x.depth_cm:g},{_cell(x.ball)}" for x in landings]
    return "\n".join(["top_rpm,bottom_rpm,tilt_deg,depth_cm,note", *rows]) + "\n"


def _cell(text: str) -> str:
    shown = str(cell(text)).replace('"', '""')
    return f'"{shown}"' if "," in shown or '"' in shown else shown
