"""What a connection of the line server needs of the server that holds it."""

from collections.abc import Callable
from typing import Protocol, TypeVar

from drillfeed.daemon.shell.desk_port import DeskPort, ReplyTo
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import Reply

ConnectionT = TypeVar("ConnectionT", contravariant=True)


class LineServerPort(Protocol[ConnectionT]):
    """Reads for its connections, gives them turns and places, and carries out their lines."""

    read_into: memoryview

    @property
    def desk(self) -> DeskPort:
        """Return the desk behind the server."""

    def loop_time(self) -> float:
        """Return the event loop's clock."""

    def read_share(self) -> int:
        """Return how many bytes a connection may read in one go."""

    def rest_from(self, connection: ConnectionT, took_s: float) -> None:
        """Pause reading from a connection, for longer the longer reading took."""

    def give_turn(self, connection: ConnectionT) -> None:
        """Give a connection its turn after the others had theirs."""

    def give_place(self, connection: ConnectionT) -> None:
        """Give a connection at the door its place."""

    def notices_ready(self) -> None:
        """Pass notices on to the connections that watch."""

    def warn_of_greeting(self, connection: ConnectionT, refused: Refused) -> None:
        """Warn of a client that speaks another protocol."""

    def carry_out(self, connection: ConnectionT, text: str, reply: ReplyTo) -> Reply | None:
        """Carry out a line; return its reply, or None if the reply comes later."""

    def on_loop(self, call: Callable[[], None]) -> None:
        """Call on the event loop's thread."""

    def later(self, delay_s: float, call: Callable[[], None]) -> None:
        """Call after a while."""
