"""The rim of the serial board: a port of this computer as a `Wire`. The one file that imports pyserial.

Rule of this file: nothing here waits. A port that is gone is tried again now and then; what came before is dropped, so
that nothing old is read as new.
"""

import os
import select

import serial

AGAIN_S = 0.5
READ_BYTES = 4096


class SerialPort:
    """One serial port by its name, opened when it is there. POSIX only: see `send`."""

    def __init__(self, name: str, baud: int) -> None:
        """Keep the name; the first `receive` opens it."""
        self._name, self._baud = name, baud
        self._port: serial.Serial | None = None
        self._tried_s = float("-inf")
        self.trouble = f"{name} not opened yet"

    def receive(self, now: float) -> bytes | None:
        """Return what has come; None while there is no port, which is tried each half second."""
        if self._port is None and (now - self._tried_s < AGAIN_S or not self._open(now)):
            return None
        assert self._port is not None
        try:
            data = os.read(self._port.fileno(), READ_BYTES)
            if not data and self._hung_up():
                raise OSError("pulled out")
            return data
        except BlockingIOError:
            return b""
        except OSError as wrong:
            self._gone(wrong)
            return None

    def _open(self, now: float) -> bool:
        self._tried_s = now
        try:
            self._port = serial.Serial(self._name, self._baud, timeout=0, exclusive=True)
            self._port.reset_input_buffer()
        except OSError as wrong:
            self.trouble = f"{self._name}: {wrong.strerror or wrong}"
            return False
        return True

    def _hung_up(self) -> bool:
        """A port that was pulled out reads as one where nothing comes; only polling tells them apart."""
        poller = select.poll()
        assert self._port is not None
        poller.register(self._port.fileno(), select.POLLIN)
        return any(events & (select.POLLHUP | select.POLLERR) for _, events in poller.poll(0))

    def _gone(self, wrong: OSError) -> None:
        self.trouble = f"{self._name}: {wrong.strerror or wrong}"
        self.close()

    def send(self, data: bytes) -> None:
        """Send; what does not fit is lost.

        pyserial's own write turns in a loop until all has gone, also with no time allowed: hence the system's.
        """
        if self._port is None:
            return
        try:
            os.write(self._port.fileno(), data)
        except BlockingIOError:
            return
        except OSError as wrong:
            self._gone(wrong)

    def close(self) -> None:
        """Let go of the port."""
        port, self._port = self._port, None
        if port is not None:
            try:
                port.close()
            except OSError as wrong:
                self.trouble = f"{self._name}: {wrong.strerror or wrong}"
