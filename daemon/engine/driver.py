"""The daemon's end of the driver link, without I/O: hello, clock, epochs, orders, what status tells.

Rule of this file: it knows what was sent and what was answered, and when. What ought to move, and when, is not its
business; `link_condition.py` judges whether the link is good enough for it.
"""

from collections import deque
from dataclasses import dataclass, field
from statistics import median
from typing import Literal

from drillfeed.daemon.engine.clockfit import ClockFit, ClockLine
from drillfeed.daemon.engine.compatibility import differences
from drillfeed.daemon.engine.contradictions import in_reason
from drillfeed.daemon.machine import Machine
from drillfeed.protocol.frames import BadFrame, decode_from_driver, encode
from drillfeed.protocol.link import (
    BAND_MEDIAN_S,
    MISFITS_MAX,
    PING_S,
    WATCHDOG_STOP_S,
    DaemonHello,
    DriverHello,
    Message,
    Order,
    Ping,
    Pong,
    Setpoint,
    Status,
)
from drillfeed.protocol.texts.catalogue import text

HELLO_AGAIN_S = 0.500
FIRST_PING_S = 0.040
RING = 64
MAX_MISFIT_LETTERS = 200

Frame = tuple[bytes, bytes]
OrderKind = Literal["arm", "disarm", "stop", "clear"]


@dataclass
class Driver:
    """What is known of the driver at the other end."""

    peer: bytes
    hello: DriverHello
    mismatch: tuple[str, ...]
    heard_s: float
    status: Status | None = None
    status_s: float | None = None
    seq_moved_s: float | None = None
    newest: tuple[int, int] = (-1, -1)
    measured: deque[tuple[float, float | None, float | None]] = field(default_factory=lambda: deque(maxlen=16))


class DriverLink:
    """One session with one driver. Frames to send collect in `out` as (peer, frame)."""

    def __init__(self, machine: Machine, session: str) -> None:
        self._machine, self.session = machine, session
        self.limits = machine.limits()
        self.digest = self.limits.digest()
        self.driver: Driver | None = None
        self.clock = ClockFit()
        self.epoch = 0
        self.seq = 0
        self.newest_id = -1
        self.out: list[Frame] = []
        self.recent: deque[tuple[float, str, bytes | str]] = deque(maxlen=RING)
        self.bad_frames = 0
        self._order: OrderKind | None = None
        self._next_ping_s = 0.0
        self._hello_to: dict[bytes, float] = {}

    def send(self, message: Message, now_s: float) -> None:
        """Put a message on its way to the driver, if there is one."""
        if self.driver is None:
            return
        if isinstance(message, Setpoint):
            self.newest_id = max((self.newest_id, *(feed.id for feed in message.feeds)))
        frame = encode(message)
        self.note(now_s, "to driver", frame)
        self.out.append((self.driver.peer, frame))

    def note(self, now_s: float, what: str, text: bytes | str) -> None:
        """Keep a message or a command for the record of a fault."""
        self.recent.append((now_s, what, text))

    def recent_lines(self, now_s: float) -> str:
        """Return what came and went last, one line each, with its time in seconds before `now_s`."""
        lines = (
            f"{at_s - now_s:+.3f} {what} {text.decode(errors='replace') if isinstance(text, bytes) else text}"
            for at_s, what, text in self.recent
        )
        return "\n".join(lines)

    def knows(self, peer: bytes) -> bool:
        """Tell whether the present driver is at the other end of `peer`."""
        return self.driver is not None and peer == self.driver.peer

    def receive(self, peer: bytes, frame: bytes, now_s: float) -> Status | None:
        """Take one frame; return a status of the present driver, if it was one."""
        known = self.knows(peer)
        try:
            message = decode_from_driver(frame)
        except BadFrame as error:
            self.bad_frames += 1
            if known:
                self.note(now_s, "refused from driver", f"{error}")
            return None
        # What strangers say is no part of a fault's record: it would push out what the driver said.
        if known or isinstance(message, DriverHello):
            self.note(now_s, "from driver", frame)
        if isinstance(message, DriverHello):
            self._greet(peer, message, now_s)
            return None
        driver = self.driver
        if driver is None or peer != driver.peer:
            self._say_hello(peer, now_s)  # a driver that a daemon before this one had: ask it for its hello
            return None
        if isinstance(message, Pong):
            self.clock.pong(message.n, message.now_s, now_s)
            return None
        if message.boot != driver.hello.boot:
            self._say_hello(peer, now_s)
            return None
        driver.heard_s = now_s
        self._take_status(driver, message, now_s)
        return message

    def _greet(self, peer: bytes, hello: DriverHello, now_s: float) -> None:
        driver = self.driver
        same = driver is not None and driver.peer == peer and driver.hello.boot == hello.boot
        if driver is not None and not same and driver.peer != peer and self.status_age_s(now_s) < WATCHDOG_STOP_S:
            self.note(now_s, "refused from driver", text("note.other-driver", driver=hello.driver))
            return
        if not same:
            mismatch = tuple(differences(hello, self._machine, self.limits))
            self.driver = Driver(peer, hello, mismatch, now_s)
            self.clock = self.clock.anew()
            self.epoch += 1
            self._order = "stop"  # whoever connects is first told to stand still
        self._say_hello(peer, now_s, again=True)

    def _say_hello(self, peer: bytes, now_s: float, again: bool = False) -> None:
        if not again and now_s - self._hello_to.get(peer, -HELLO_AGAIN_S) < HELLO_AGAIN_S:
            return
        if len(self._hello_to) > RING:
            self._hello_to.clear()
        self._hello_to[peer] = now_s
        known = self.driver.mismatch if self.driver is not None and self.driver.peer == peer else ()
        misfits = tuple(line[:MAX_MISFIT_LETTERS] for line in known[:MISFITS_MAX]) or None
        hello = DaemonHello(
            session=self.session, daemon="drillfeed", limits=self.limits, limits_hash=self.digest, misfits=misfits
        )
        self.out.append((peer, encode(hello)))

    def _take_status(self, driver: Driver, status: Status, now_s: float) -> None:
        first = driver.status is None
        driver.status, driver.status_s = in_reason(status), now_s
        accepted = self._accepted(status)
        if first or (accepted is not None and accepted > driver.newest):
            driver.seq_moved_s = now_s
            driver.newest = accepted or driver.newest
        driver.measured.append((now_s, driver.status.top.measured_rpm, driver.status.bottom.measured_rpm))
        if self._obeyed(status):
            self._order = None

    def _accepted(self, status: Status) -> tuple[int, int] | None:
        """Return the newest epoch and seq that a status shows as accepted; None where nothing such was ever sent."""
        seq = -1 if status.seq is None else status.seq
        sent = status.epoch < self.epoch or (status.epoch == self.epoch and seq <= self.seq)
        return (status.epoch, seq) if sent and status.session == self.session else None

    def _obeyed(self, status: Status) -> bool:
        """Tell whether the order in hand is carried out: its epoch is shown, and after a stop or disarm nothing armed.

        An epoch that was never given shows nothing: a driver that makes one up is sent its stop again and again.
        """
        shown = status.session == self.session and status.epoch == self.epoch
        return shown and (self._order not in ("stop", "disarm") or (status.mode != "armed" and not status.feeding))

    def lose(self) -> None:
        """Forget the driver: it has fallen silent."""
        self.driver = None
        self._order = None

    def new_epoch(self, order: OrderKind | None, now_s: float) -> int:
        """Begin a new epoch, with an order that is repeated until status shows the epoch."""
        self.epoch += 1
        self.seq = 0
        self._order = order
        self._send_order(now_s)
        return self.epoch

    def next_seq(self) -> int:
        """Return the number of the next setpoint of this epoch."""
        self.seq += 1
        return self.seq

    def take_frames(self) -> list[Frame]:
        """Hand over what is to be sent."""
        frames, self.out = self.out, []
        return frames

    def _send_order(self, now_s: float) -> None:
        if self._order is not None:
            self.send(Order(kind=self._order, session=self.session, epoch=self.epoch), now_s)

    def tick(self, now_s: float) -> None:
        """Repeat the order in hand; ping when it is time."""
        self._send_order(now_s)
        if self.driver is not None and now_s >= self._next_ping_s:
            self._next_ping_s = now_s + (PING_S if self.clock.settled else FIRST_PING_S)
            self.send(Ping(n=self.clock.ping(now_s)), now_s)

    @property
    def line(self) -> ClockLine | None:
        """Return the driver's clock as a line over ours, if it is known yet."""
        return self.clock.line

    @property
    def status(self) -> Status | None:
        """Return the newest status of the present driver."""
        return self.driver.status if self.driver else None

    @property
    def epoch_shown(self) -> bool:
        """Tell whether the driver's status shows the present session and epoch."""
        status = self.status
        return status is not None and status.session == self.session and status.epoch == self.epoch

    def status_age_s(self, now_s: float) -> float:
        """Return how old the newest status is; infinite before the first."""
        if self.driver is None or self.driver.status_s is None:
            return float("inf")
        return now_s - self.driver.status_s

    def silent_s(self, now_s: float) -> float:
        """Return how long nothing at all has come from the driver; infinite where there is none."""
        return now_s - self.driver.heard_s if self.driver else float("inf")

    def deaf_s(self, now_s: float) -> float:
        """Return how long the driver has accepted no setpoint, as its status tells."""
        if self.driver is None or self.driver.seq_moved_s is None:
            return float("inf")
        return now_s - self.driver.seq_moved_s

    def measured_median(self, now_s: float) -> tuple[float | None, float | None]:
        """Return both wheels' measured rpm, median of the last 100 ms; None where nothing was measured."""
        if self.driver is None:
            return None, None
        fresh = [entry for entry in self.driver.measured if entry[0] > now_s - BAND_MEDIAN_S]

        def middle(values: list[float | None]) -> float | None:
            known = [value for value in values if value is not None]
            return median(known) if known and len(known) == len(values) else None

        return middle([entry[1] for entry in fresh]), middle([entry[2] for entry in fresh])
