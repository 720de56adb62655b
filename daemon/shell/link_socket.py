"""The ROUTER at the daemon's end of the driver link, with bounds on bytes, frames and waiting messages.

Rule of this file: these bounds limit what a peer may cost before it has sent a valid hello. A frame over
`SOCKET_BYTES_MAX` closes its connection before it is in memory. Few messages wait for each peer. A message of many
parts is read part by part, so that reading can stop between two parts.
"""

import errno

import zmq

from drillfeed.protocol.link import SOCKET_BYTES_MAX
from drillfeed.protocol.texts.catalogue import text

SEND_QUEUE = 256
# A driver sends some 30 messages in 0.4 s; further messages wait at the driver's end.
RECEIVE_QUEUE = 32
# The time for a peer to finish ZeroMQ's own handshake.
HANDSHAKE_MS = 2_000
OBSERVER_BYTES_MAX = 1_024
PARTS_OF_MESSAGE = 2


class LinkTaken(OSError):
    """The endpoint cannot be bound; the text says why."""


def link_socket(context: "zmq.Context[zmq.Socket[bytes]]", endpoint: str) -> "zmq.Socket[bytes]":
    """Return a ROUTER bound to `endpoint`; raise LinkTaken if it cannot be bound."""
    router = context.socket(zmq.ROUTER)
    # LINGER is -1 by default: closing would wait for a driver that is gone.
    router.setsockopt(zmq.LINGER, 0)
    router.setsockopt(zmq.SNDHWM, SEND_QUEUE)
    router.setsockopt(zmq.RCVHWM, RECEIVE_QUEUE)
    router.setsockopt(zmq.ROUTER_HANDOVER, 0)
    router.setsockopt(zmq.MAXMSGSIZE, SOCKET_BYTES_MAX)
    router.setsockopt(zmq.HANDSHAKE_IVL, HANDSHAKE_MS)
    return _bound(router, endpoint)


def observer_socket(context: "zmq.Context[zmq.Socket[bytes]]", endpoint: str) -> "zmq.Socket[bytes]":
    """Return a PUB bound to `endpoint`; raise LinkTaken if it cannot be bound. Observers send only topics."""
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
        what = text("endpoint.other-program") if error.errno == errno.EADDRINUSE else error.strerror
        raise LinkTaken(text("endpoint.cannot-bind", endpoint=endpoint, what=what)) from None
    return socket


class Parts:
    """Joins the parts of a ROUTER's messages, and keeps at most two parts of each."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._beyond = False

    def take(self, part: bytes, more: bool) -> tuple[bytes, bytes] | None:
        """Take the next part; after the last one return (peer, frame). The frame is empty if there was not just one."""
        if len(self._parts) < PARTS_OF_MESSAGE:
            self._parts.append(part)
        else:
            self._beyond = True
        if more:
            return None
        parts, beyond = self._parts, self._beyond
        self._parts, self._beyond = [], False
        return parts[0], parts[1] if len(parts) == PARTS_OF_MESSAGE and not beyond else b""
