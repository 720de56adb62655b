"""Messages to the service manager (ready, alive, stopping), over the socket that it names in the environment.

Rule of this file: without a service manager nothing is sent. The form is sd_notify(3): datagrams of NAME=VALUE lines.
"""

import os
import socket
from collections.abc import Mapping


class Manager:
    """The service manager, if there is one."""

    def __init__(self, environ: Mapping[str, str] | None = None) -> None:
        environ = os.environ if environ is None else environ
        address = environ.get("NOTIFY_SOCKET", "")
        # @ stands for an abstract address, which begins with a zero byte.
        self._address = "\0" + address[1:] if address.startswith("@") else address
        meant = environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        wanted = environ.get("WATCHDOG_USEC", "")
        self.watchdog_s = int(wanted) / 1e6 if meant and wanted.isdigit() and int(wanted) > 0 else None
        """The longest time between two signs of life that the manager accepts; None if it does not ask for any."""

    def tell(self, **words: str) -> bool:
        """Send words such as READY="1"; return whether they were sent. Never waits and never raises."""
        if not self._address:
            return False
        lines = "\n".join(f"{name}={value}" for name, value in words.items())
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
                out.setblocking(False)
                out.sendto(lines.encode(), self._address)
        except OSError:
            return False
        return True
