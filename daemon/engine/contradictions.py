"""What a driver says against what it measures and what it was sent, and figures that cannot be.

Rule of this file: a row judges one status and answers None, or what is wrong with it in one line. A contradiction
counts once it has been seen several times, and lasts for a while after it was seen last.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from drillfeed.daemon.engine.standing import UNCOMMANDED_RIM_MPS, shown
from drillfeed.daemon.machine import Machine
from drillfeed.protocol.link import AngleState, Status, WheelState
from drillfeed.protocol.texts.catalogue import text

AHEAD_S = 0.050
"""A moment farther ahead of the status that tells it has not been yet; what is less may be rounding."""
MIN_SEEN, SEEN_WITHIN_S, SPREAD_S = 3, 0.2, 0.039
LASTS_S = 2.0
MAX_RPM, MAX_DEG, MAX_V = 100_000.0, 3_600.0, 1_000.0


@dataclass(frozen=True)
class Sent:
    """What the driver can know: this session, the newest epoch, seq in it and ball id; may it be armed just now."""

    machine: Machine
    session: str
    epoch: int
    seq: int
    id: int
    may_be_armed: bool


def future(at_s: float, status: Status) -> float | None:
    """Return how far ahead of the status a moment is that ought to be past; None where it is not."""
    ahead_s = at_s - status.now_s
    return ahead_s if ahead_s > AHEAD_S else None


def _rest(status: Status, sent: Sent) -> str | None:
    if not status.at_rest:
        return None
    for wheel in shown(status, sent.machine):
        if wheel.driven_rpm or wheel.rim_mps > UNCOMMANDED_RIM_MPS:
            return text("contradiction.rest", wheel=wheel.text)
    return None


def _output(status: Status, sent: Sent) -> str | None:
    if status.mode != "disarmed":
        return None
    driven = next((wheel for wheel in shown(status, sent.machine) if wheel.driven_rpm), None)
    return text("contradiction.output", wheel=driven.name, driven_rpm=driven.driven_rpm) if driven else None


def _feed(status: Status, sent: Sent) -> str | None:
    if status.mode == "armed" or not (status.feeding or status.agitator):
        return None
    return text(
        "contradiction.feed",
        mode=status.mode,
        what=text("contradiction.feed-open") if status.feeding else text("contradiction.agitator"),
    )


def _armed(status: Status, sent: Sent) -> str | None:
    if sent.may_be_armed or status.mode != "armed":
        return None
    return text("contradiction.armed")


def _epoch(status: Status, sent: Sent) -> str | None:
    if status.session != sent.session or status.epoch <= sent.epoch:
        return None
    return text("contradiction.epoch", epoch=status.epoch, newest=sent.epoch)


def _seq(status: Status, sent: Sent) -> str | None:
    here = status.session == sent.session and status.epoch == sent.epoch
    if not here or status.seq is None or status.seq <= sent.seq:
        return None
    return text("contradiction.seq", seq=status.seq, newest=sent.seq)


def _results(status: Status, sent: Sent) -> str | None:
    if status.session != sent.session:
        return None
    for result in status.feeds:
        ahead_s = future(result.at_s, status)
        if ahead_s is not None:
            return text("contradiction.result-ahead", ball=result.id, ahead_s=ahead_s)
        if result.id > sent.id:
            return text("contradiction.result-unasked", ball=result.id)
    return None


def _exits(status: Status, sent: Sent) -> str | None:
    for leaving in status.exits:
        ahead_s = future(leaving.at_s, status)
        if ahead_s is not None:
            return text("contradiction.exit-ahead", ahead_s=ahead_s)
    return None


def _figures(status: Status, sent: Sent) -> str | None:
    return "; ".join(_wild(status)) or None


CONTRADICTIONS: tuple[Callable[[Status, Sent], str | None], ...] = (
    _rest,
    _output,
    _feed,
    _armed,
    _epoch,
    _seq,
    _results,
    _exits,
    _figures,
)


def _wild(status: Status) -> list[str]:
    """Return the figures of a status that no thrower has."""
    found = []
    for name, wheel in (("top", status.top), ("bottom", status.bottom)):
        for what, rpm in (("measured", wheel.measured_rpm), ("driven", wheel.target_rpm)):
            if rpm is not None and abs(rpm) > MAX_RPM:
                found.append(text("contradiction.wheel", wheel=name, what=what, rpm=rpm))
    for name, angle in (("tilt", status.tilt), ("pan", status.pan), ("roll", status.roll)):
        for deg in (angle.measured_deg, angle.target_deg) if angle else ():
            if deg is not None and abs(deg) > MAX_DEG:
                found.append(text("contradiction.angle", axis=name, deg=deg))
    if status.supply_v is not None and not 0 <= status.supply_v <= MAX_V:
        found.append(text("contradiction.supply", supply_v=status.supply_v))
    return found


def in_reason(status: Status) -> Status:
    """Return a status without figures that no thrower has: what is measured becomes unknown, an output its bound."""
    if not _wild(status):
        return status
    supply = status.supply_v
    changed = {
        "top": _wheel(status.top),
        "bottom": _wheel(status.bottom),
        "tilt": _angle(status.tilt),
        "pan": _angle(status.pan),
        "roll": _angle(status.roll),
        "supply_v": supply if supply is not None and 0 <= supply <= MAX_V else None,
    }
    return status.model_copy(update=changed)


def _wheel(wheel: WheelState) -> WheelState:
    rpm = wheel.measured_rpm
    known = rpm if rpm is not None and abs(rpm) <= MAX_RPM else None
    return wheel.model_copy(update={"measured_rpm": known, "target_rpm": min(max(wheel.target_rpm, -MAX_RPM), MAX_RPM)})


def _angle(angle: AngleState | None) -> AngleState | None:
    if angle is None:
        return None
    deg = angle.measured_deg
    known = deg if deg is not None and abs(deg) <= MAX_DEG else None
    return angle.model_copy(update={"measured_deg": known, "target_deg": min(max(angle.target_deg, -MAX_DEG), MAX_DEG)})


@dataclass
class _Doubt:
    text: str
    seen_s: deque[float] = field(default_factory=lambda: deque(maxlen=16))
    counts: bool = False


@dataclass
class Doubts:
    """The contradictions that count just now, in the order of the rows, each with the words it was first seen in."""

    held: dict[int, _Doubt] = field(default_factory=dict)

    def see(self, status: Status, sent: Sent, now_s: float) -> list[str]:
        """Take a status as it came; return the lines that count from now on."""
        fresh, sane = [], in_reason(status)
        self.held = self._lasting(now_s)
        for row, check in enumerate(CONTRADICTIONS):
            text = check(status if check is _figures else sane, sent)
            if text is not None:
                doubt = self.held.setdefault(row, _Doubt(text))
                doubt.seen_s.append(now_s)
                recent = [seen_s for seen_s in doubt.seen_s if now_s - seen_s <= SEEN_WITHIN_S]
                if not doubt.counts and len(recent) >= MIN_SEEN and now_s - recent[0] >= SPREAD_S:
                    doubt.counts = True
                    fresh.append(_line(doubt))
        return fresh

    def lines(self, now_s: float) -> tuple[str, ...]:
        """Return what is to be told of them; those not seen for two seconds are over."""
        lasting = self._lasting(now_s)
        return tuple(_line(lasting[row]) for row in sorted(lasting) if lasting[row].counts)

    def _lasting(self, now_s: float) -> dict[int, _Doubt]:
        return {row: doubt for row, doubt in self.held.items() if now_s - doubt.seen_s[-1] <= LASTS_S}

    def forget(self) -> None:
        """Forget them all: another driver came."""
        self.held = {}


def _line(doubt: _Doubt) -> str:
    return text("contradiction.told", doubt=doubt.text)
