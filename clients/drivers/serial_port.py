"""A serial port of this computer as a `Wire`. Only this file imports pyserial.

Rule of this file: nothing here waits. A port that is gone is tried again each half second. Bytes from before are
dropped, so that nothing old is read as new.
"""

import os
import select

import serial

AGAIN_S = 0.5
READ_BYTES = 4096


class SerialPort:
    """One serial port by its name, opened as soon as it exists. POSIX only: see `send`."""

    def __init__(self, name: str, baud: int) -> None:
        """Keep the name; the first `receive` opens it."""
        self._name, self._baud = name, baud
        self._port: serial.Serial | None = None
        self._tried_s = float("-inf")
        self.trouble = f"{name} not opened yet"

    def receive(self, now: float) -> bytes | None:
        """Return the bytes that came; None while there is no port (it is tried each half second)."""
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
        except OSError as error:
            self._gone(error)
            return None

    def _open(self, now: float) -> bool:
        self._tried_s = now
        try:
            self._port = serial.Serial(self._name, self._baud, timeout=0, exclusive=True)
            self._port.reset_input_buffer()
        except OSError as error:
            self.trouble = f"{self._name}: {error.strerror or error}"
            return False
        return True

    def _hung_up(self) -> bool:
        """Tell whether the port was pulled out; reading can't tell that from silence, only polling can."""
        poller = select.poll()
        assert self._port is not None
        poller.register(self._port.fileno(), select.POLLIN)
        return any(events & (select.POLLHUP | select.POLLERR) for _, events in poller.poll(0))

    def _gone(self, error: OSError) -> None:
        self.trouble = f"{self._name}: {error.strerror or error}"
        self.close()

    def send(self, data: bytes) -> None:
        """Send; bytes that do not fit are lost.

        This uses the system's write, because pyserial's own loops until all bytes have gone, even with timeout 0.
        """
        if self._port is None:
            return
        try:
            os.write(self._port.fileno(), data)
        except BlockingIOError:
            return
        except OSError as error:
            self._gone(error)

    def close(self) -> None:
        """Close the port."""
        port, self._port = self._port, None
        if port is not None:
            try:
                port.close()
            except OSError as error:
                self.trouble = f"{self._name}: {error.strerror or error}"
