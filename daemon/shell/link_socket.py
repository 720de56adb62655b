"""The ROUTER at the daemon's end of the driver link, for all who bind one: bounded in bytes, frames and waiting.

Rule of this file: what a peer may cost before it has said a valid hello stands here. A frame over `SOCKET_BYTES_MAX`
closes its connection before it is in memory, few messages wait for each peer, and a message of many parts is read
part by part, so that reading it can be left off between two of them.
"""

import errno

import zmq

from drillfeed.protocol.link import SOCKET_BYTES_MAX

SEND_QUEUE = 256
# A driver sends some 30 messages in 0.4 s; what waits longer waits at its own end.
RECEIVE_QUEUE = 32
# A peer that connects and never finishes the greeting of ZeroMQ itself.
HANDSHAKE_MS = 2_000
OBSERVER_BYTES_MAX = 1_024
PARTS_OF_MESSAGE = 2


class LinkTaken(OSError):
    """The endpoint cannot be bound; the text says why."""


def link_socket(context: "zmq.Context[zmq.Socket[bytes]]", endpoint: str) -> "zmq.Socket[bytes]":
    """Return a ROUTER bound to `endpoint`; raise LinkTaken where that cannot be."""
    router = context.socket(zmq.ROUTER)
    # LINGER is -1 by default: the end would wait for a driver that is gone.
    router.setsockopt(zmq.LINGER, 0)
    router.setsockopt(zmq.SNDHWM, SEND_QUEUE)
    router.setsockopt(zmq.RCVHWM, RECEIVE_QUEUE)
    router.setsockopt(zmq.ROUTER_HANDOVER, 0)
    router.setsockopt(zmq.MAXMSGSIZE, SOCKET_BYTES_MAX)
    router.setsockopt(zmq.HANDSHAKE_IVL, HANDSHAKE_MS)
    return _bound(router, endpoint)


def observer_socket(context: "zmq.Context[zmq.Socket[bytes]]", endpoint: str) -> "zmq.Socket[bytes]":
    """Return a PUB bound to `endpoint`; raise LinkTaken where that cannot be. What observers send are topics."""
    observers = context.socket(zmq.PUB)
    observers.setsockopt(zmq.LINGER, 0)
    observers.setsockopt(zmq.MAXMSGSIZE, OBSERVER_BYTES_MAX)
    observers.setsockopt(zmq.HANDSHAKE_IVL, HANDSHAKE_MS)
    return _bound(observers, endpoint)


def _bound(socket: "zmq.Socket[bytes]", endpoint: str) -> "zmq.Socket[bytes]":
    try:
        socket.bind(endpoint)
    except zmq.ZMQError as error:
        socket.close(linger=0)
        what = "another program listens there" if error.errno == errno.EADDRINUSE else error.strerror
        raise LinkTaken(f"{endpoint} cannot be bound: {what}") from None
    return socket


class Parts:
    """Puts the parts of a ROUTER's messages together again, two of each message at most."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._beyond = False

    def take(self, part: bytes, more: bool) -> tuple[bytes, bytes] | None:
        """Take the next part; return (peer, frame) at a message's last, the frame empty where it is not one alone."""
        if len(self._parts) < PARTS_OF_MESSAGE:
            self._parts.append(part)
        else:
            self._beyond = True
        if more:
            return None
        parts, beyond = self._parts, self._beyond
        self._parts, self._beyond = [], False
        return parts[0], parts[1] if len(parts) == PARTS_OF_MESSAGE and not beyond else b""
