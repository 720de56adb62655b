"""A microcontroller board at the end of a serial line, as a `Board`. SERIAL.md is its protocol.

Rules of this file: no clock and no port of its own (a `Wire` carries bytes, `now` comes with `read`). A board that was
lost in any way gets no more `go` lines, so that its own watchdog brings it to rest. It is woken again only when the
adapter has both wheels at zero, so a cable that is plugged in again turns nothing. `serial_pushes.py` settles pushes.
"""

from collections import deque
from collections.abc import Mapping
from typing import Protocol

from drillfeed.clients.drivers.board import DriverTraits, Note, PushAnswer, Reading, forget
from drillfeed.clients.drivers.duty import DutyTable, duty_for
from drillfeed.clients.drivers.serial_lines import VERSION, BoardClock, LineSplitter, Report, introduction, line, report
from drillfeed.clients.drivers.serial_pushes import Pushes
from drillfeed.protocol.link import Axis

DUTY_FULL = 10_000
GO_S = 0.010
GO_FOR_MS = 100
SILENT_S = 0.100
ASK_S = 0.200
GARBLED_SHARE = 0.10
MIN_GARBLED = 5
GARBLED_WINDOW_S = 1.0
TOLD_S = 0.5
"""A fault is reported for at least this long, even if its cause is gone sooner."""


class Wire(Protocol):
    """Bytes to and from a board. It never waits and never raises; None means that there is no connection."""

    def receive(self, now: float) -> bytes | None:
        """Return the bytes that came, perhaps none; None while unplugged (and try to connect again now and then)."""

    def send(self, data: bytes) -> None:
        """Send; bytes that do not fit are lost."""

    def close(self) -> None:
        """Close the connection."""

    @property
    def trouble(self) -> str:
        """Say in one line why there is no connection."""


class SerialBoard:
    """The five methods of a board (and the agitator), over a `Wire`."""

    def __init__(
        self, traits: DriverTraits, wire: Wire, duty: Mapping[str, DutyTable] | None = None, note: Note = forget
    ) -> None:
        """Begin with no board known; `duty` holds the tables of both wheels if the board has no speed feedback."""
        self.traits, self._wire, self._duty, self._note = traits, wire, duty, note
        self._now = 0.0
        self._rpm: dict[Axis, float] = {"top": 0.0, "bottom": 0.0}
        self._tilt_deg: float | None = None
        self._agitate = False
        self._cuts = 0
        self._pushes = Pushes(note)
        self._boot: int | None = None
        self._lines = LineSplitter()
        self._counts: deque[tuple[float, int, int]] = deque()
        self._good = 0
        self._newest: Report | None = None
        self._newest_s = 0.0
        self._clock: BoardClock | None = None
        self._held: str | None = "not connected yet"
        self._told: dict[tuple[str, str], float] = {}
        self._asked_s = self._went_s = float("-inf")
        self._was_awake = False
        self._exits = 0
        self._exits_before = 0

    # The five methods, and the agitator.

    def set_wheel(self, wheel: Axis, rpm: float) -> None:
        """Keep the wheel's speed; it goes out with the next line."""
        self._rpm[wheel] = rpm

    def set_angle(self, axis: Axis, deg: float) -> None:
        """Keep the tilt angle; this board has no other angle."""
        if axis == "tilt":
            self._tilt_deg = deg

    def set_agitator(self, on: bool) -> None:
        """Keep whether the agitator runs."""
        self._agitate = on

    def feed_one(self, id: int) -> None:
        """Ask for one push. By its own clock, the board makes it within the 20 ms or not at all."""
        if self._held is not None or self._clock is None or not self._was_awake:
            why = self._held or "the board is not awake"
            self._fault("feeder", f"ball {id} not pushed: {why}")
            self._pushes.refuse(id, why, self._now)
            return
        self._pushes.ask(id, self._newest, self._clock, self._now)
        self._send_push()

    def push_answers(self) -> tuple[PushAnswer, ...]:
        """Return what reports have shown of pushes since the last call."""
        return self._pushes.answers()

    def cut(self) -> None:
        """Cut feeder and agitator now; the line is repeated until the board shows it."""
        self._agitate = False
        self._pushes.ask_no_more()
        self._cuts += 1
        self._wire.send(line("cut", self._cuts))

    def read(self, now: float) -> Reading:
        """Take what came, send what is due, and return what is known now."""
        self._now = now
        data = self._wire.receive(now)
        if data is None:
            self._lose(f"unplugged: {self._wire.trouble}")
            self._lines, self._newest = LineSplitter(), None
        else:
            for words in self._lines.feed(data):
                self._take(words)
            self._judge()
            self._speak()
        for ball in self._pushes.overdue(now):
            self._fault("feeder", f"the board has not confirmed the push of ball {ball}")
        return self._reading()

    def close(self) -> None:
        """Put the board to sleep and close the connection."""
        self._wire.send(line("cut", self._cuts + 1) + line("sleep"))
        self._wire.close()

    # What comes in.

    def _take(self, words: list[str]) -> None:
        self._good += 1
        told = report(words)
        if told is not None:
            self._take_report(told)
            return
        found = introduction(words)
        if found is None:
            return
        if found.version != VERSION:
            self._lose(f"speaks version {found.version} of the serial protocol; this driver speaks {VERSION}")
        elif found.feedback is not (self.traits.feedback == "measured"):
            has = "measures" if found.feedback else "does not measure"
            self._lose(f"{found.name} {has} wheel speeds; the machine profile says otherwise")
        elif self.traits.exit_sensor and not found.exit_sensor:
            self._lose(f"{found.name} has no exit sensor; the machine profile has one")
        elif found.boot != self._boot:
            self._new_boot(found.boot, found.name)

    def _new_boot(self, boot: int, name: str) -> None:
        if self._boot is not None:
            self._lose("began anew: its program or its power failed")
        self._note("board", self._now, name=name, boot=boot)
        self._boot, self._clock, self._newest, self._was_awake = boot, None, None, False
        self._pushes.forget(self._now)
        self._exits_before = self._exits

    def _take_report(self, told: Report) -> None:
        if told.boot != self._boot:
            self._ask()
            return
        if self._clock is None:
            self._clock = BoardClock(told.at_ms, self._now)
        self._clock.see(told.at_ms, self._now)
        if told.exits is not None:
            self._exits = self._exits_before + told.exits
        if self._was_awake and told.mode != "awake":
            self._was_awake = False
            self._lose("stopped by itself: no line reached it in time")
        self._was_awake = told.mode == "awake"
        self._pushes.see(told, self._clock, self._now)
        self._newest, self._newest_s = told, self._now

    # The state of the connection.

    def _judge(self) -> None:
        now = self._now
        counts = self._counts
        counts.append((now, self._good, self._lines.bad))
        while now - counts[0][0] > GARBLED_WINDOW_S:
            counts.popleft()
        good, bad = self._good - counts[0][1], self._lines.bad - counts[0][2]
        if bad >= MIN_GARBLED and bad > GARBLED_SHARE * (good + bad):
            self._lose(f"garbled: over {GARBLED_SHARE:.0%} of the last second's lines have a wrong check")
            return
        if self._newest is None or self._clock is None:
            if not self._recent("board"):
                self._lose("does not answer yet")
            return
        age_s = now - self._newest_s
        if age_s > SILENT_S:
            self._lose(f"slow or silent: no report for {SILENT_S * 1000:.0f} ms or more")
            return
        if self._rpm["top"] == 0 == self._rpm["bottom"] and not self._recent("board"):
            self._held = None

    def _lose(self, why: str) -> None:
        """Give the board up for a reason: send only `cut` and `who` from now on, so that its own watchdog acts."""
        if why != self._held:
            self._note("board_lost", self._now, reason=why)
        self._held = why
        self._pushes.ask_no_more()
        self._agitate = False
        self._fault("board", why)

    def _fault(self, part: str, what: str) -> None:
        self._told[part, what] = self._now

    def _recent(self, part: str) -> bool:
        return any(key[0] == part and self._now - at <= TOLD_S for key, at in self._told.items())

    # What goes out.

    def _ask(self) -> None:
        if self._now - self._asked_s >= ASK_S:
            self._asked_s = self._now
            self._wire.send(line("who"))

    def _speak(self) -> None:
        newest, clock, now = self._newest, self._clock, self._now
        if self._boot is None or newest is None or clock is None:
            self._ask()
            return
        if newest.cut != self._cuts:
            self._wire.send(line("cut", self._cuts))
        if self._held is not None:
            self._ask()
            return
        if newest.mode != "awake":
            if now - self._asked_s >= ASK_S / 2:
                self._asked_s = now
                self._wire.send(line("wake", self._boot))
            return
        self._send_push()
        if now - self._went_s >= GO_S - 1e-6:
            self._went_s = now
            self._wire.send(self._go(clock.board_ms(now) + GO_FOR_MS))

    def _go(self, until_ms: int) -> bytes:
        tilt = "-" if self._tilt_deg is None else round(self._tilt_deg * 100)
        if self._duty is None:
            verb, wheels = "go", [round(self._rpm[wheel] * 10) for wheel in ("top", "bottom")]
        else:
            supply_v = self._newest.supply_v if self._newest else None
            verb, wheels = (
                "duty",
                [
                    round(duty_for(self._rpm[wheel], self._duty[wheel], supply_v) * DUTY_FULL)
                    for wheel in ("top", "bottom")
                ],
            )
        return line(verb, self._boot, until_ms % 2**32, *wheels, tilt, int(self._agitate))

    def _send_push(self) -> None:
        push = self._pushes.to_send(self._now)
        if push is not None:
            self._wire.send(line("push", self._boot, push.until_ms, push.number))

    # What is known.

    def _reading(self) -> Reading:
        told, now = self._newest, self._now
        self._told = {key: at for key, at in self._told.items() if now - at <= TOLD_S}
        faults = tuple(self._told)
        if told is None or self._clock is None or now - self._newest_s > SILENT_S:
            return Reading(exits=self._exits if self.traits.exit_sensor else None, faults=faults)
        return Reading(
            top_rpm=told.top_rpm,
            bottom_rpm=told.bottom_rpm,
            tilt_deg=told.tilt_deg,
            exits=self._exits if self.traits.exit_sensor else None,
            exit_at_s=None if told.exit_ms is None else self._clock.driver_s(told.exit_ms),
            supply_v=told.supply_v,
            faults=(*faults, *told.faults)[:16],
            extra={"board_pushes": told.pushes, "board_passed_over": told.passed_over},
        )
