"""One listener for each `ipc://` endpoint: a lock beside its socket file, held while the process lives.

Rule of this file: before ZeroMQ binds, it removes whatever lies at the path, even another daemon's socket or a file
that is no socket. So nobody binds an `ipc://` path without holding it here. The kernel protects `tcp://` and abstract
sockets itself.
"""

import fcntl
import os
import socket
import stat
from pathlib import Path
from typing import Self

from drillfeed.daemon.shell.link_socket import LinkTaken
from drillfeed.protocol.texts.catalogue import text

SCHEME = "ipc://"
LOOKED_AFTER_BY_THE_KERNEL = ("@", "*")
ANSWER_S = 1.0


class Held:
    """Holds an endpoint from before it is bound until it is released."""

    def __init__(self, endpoint: str) -> None:
        """Take the endpoint; raise LinkTaken if another program listens there or the path is no socket."""
        self._number: int | None = None
        path = endpoint.removeprefix(SCHEME)
        if path == endpoint or path.startswith(LOOKED_AFTER_BY_THE_KERNEL):
            return
        place = Path(path).parent.resolve() / Path(path).name
        lock = place.with_name(f"{place.name}.lock")
        try:
            self._number = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
            fcntl.flock(self._number, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self._see_that_nobody_answers(endpoint, place)
        except BlockingIOError:
            self.release()
            raise _taken(endpoint) from None
        except LinkTaken:
            self.release()
            raise
        except OSError as error:
            self.release()
            raise LinkTaken(text("endpoint.not-bound", endpoint=endpoint, lock=lock, why=error.strerror)) from None

    def _see_that_nobody_answers(self, endpoint: str, place: Path) -> None:
        """Look for a listener that holds no lock; a socket that a killed daemon left behind does not answer."""
        try:
            mode = place.lstat().st_mode
        except FileNotFoundError:
            return
        if not stat.S_ISSOCK(mode):
            raise LinkTaken(text("endpoint.no-socket", endpoint=endpoint, place=place))
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
            probe.settimeout(ANSWER_S)
            try:
                probe.connect(os.fspath(place))
            except (ConnectionRefusedError, FileNotFoundError):
                return
        raise _taken(endpoint)

    def release(self) -> None:
        """Give the endpoint back; a second time does nothing."""
        number, self._number = self._number, None
        if number is not None:
            os.close(number)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def _taken(endpoint: str) -> LinkTaken:
    return LinkTaken(text("endpoint.taken", endpoint=endpoint))
