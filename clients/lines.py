"""A typed client of the text commands, blocking; `asynchronous.py` holds the same for asyncio.

Rule of this file: one method a verb of the command table, and every line is written by the table, so
that this client cannot say what the daemon does not know.

    with Client.find() as client:
        client.load("mixed-spin", seed=7)
        client.arm()
        client.start(client.snapshot().stop_count)
"""

import os
import select
import socket
import time
from collections import deque
from collections.abc import Iterator, Mapping
from types import TracebackType
from typing import Literal, Self

from drillfeed.clients.find import Address, NoDaemon, connect, places
from drillfeed.clients.keys import kept_key
from drillfeed.protocol.commands import Command, Value, line_of
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import STOP_BYTE, BrokenReply, Reply, ReplyReader, Told
from drillfeed.protocol.status import Snapshot

CONNECT_S = 3.0
ANSWER_S = 60.0  # arming may have to wait until coasting wheels are at rest
NOTICES_KEPT = 1_000
READ_BYTES = 65_536


class Client:
    """Send one line at a time and wait for its reply; notices that come in between are kept aside, boundedly.

    A refusal comes back as a Reply that is not `ok`. Raises NoDaemon where the connection is lost,
    TimeoutError where no reply comes in time (the connection is closed then), BrokenReply where the
    other end speaks something else.
    """

    def __init__(self, sock: socket.socket, address: Address, answer_s: float = ANSWER_S) -> None:
        self.address = address
        self._answer_s = answer_s
        self._sock = sock
        self._sock.setblocking(True)
        self._reader = ReplyReader()
        self._replies: deque[Reply] = deque()
        self._notices: deque[Told] = deque(maxlen=NOTICES_KEPT)

    @classmethod
    def find(cls, to: str | None = None, environ: Mapping[str, str] | None = None, answer_s: float = ANSWER_S) -> Self:
        """Connect to the daemon at `to`, or where `clients/find.py` says; raises NoDaemon or ValueError."""
        environ = os.environ if environ is None else environ
        client = cls(*connect(places(to, environ), CONNECT_S), answer_s)
        if (key := kept_key(client.address, environ)) is not None:
            client.pair(key)  # a key that is worth nothing any more leaves the role that one has without it
        return client

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection; what runs goes on."""
        self._sock.close()

    def fileno(self) -> int:
        """Give the socket's number, for select; it is readable when notices may have come."""
        return self._sock.fileno()

    # Asking

    def ask(self, verb: str, /, **values: Value | None) -> Reply:
        """Send a command of the table with the values that are not None, and wait for its reply."""
        command = Command(verb, {name: value for name, value in values.items() if value is not None})
        return self.ask_line(line_of(command))

    def ask_line(self, line: str) -> Reply:
        """Send one line as it is and wait for its reply."""
        self.send_line(line)
        until_s = time.monotonic() + self._answer_s
        while not self._replies:
            try:
                self._receive(until_s)
            except TimeoutError:
                self.close()  # a late reply would be taken for that of the next line
                raise
        return self._replies.popleft()

    def send_line(self, line: str) -> None:
        """Send one line and do not wait; its reply comes from `take_replies`, before that of any later line."""
        if "\n" in line or not line.strip(" "):
            raise ValueError("a line is not empty and holds no newline")
        self._send(line.encode() + b"\n")

    def take_replies(self) -> tuple[Reply, ...]:
        """Return the replies that have come and were not taken yet, without waiting."""
        try:
            while True:
                self._receive(0.0)
        except TimeoutError:
            replies = tuple(self._replies)
            self._replies.clear()
            return replies

    def stop_now(self) -> None:
        """Send the stop byte, in front of whatever is under way; may be called from another thread.

        The answer is a notice with the topic `stop`.
        """
        self._send(bytes([STOP_BYTE]))

    def notices(self, wait_s: float | None = None) -> Iterator[Told]:
        """Give notices as they come; ends when none came for `wait_s` seconds (None: waits without end)."""
        while True:
            until_s = None if wait_s is None else time.monotonic() + wait_s
            while not self._notices:
                try:
                    self._receive(until_s)
                except TimeoutError:
                    return
            yield self._notices.popleft()

    def snapshot(self) -> Snapshot:
        """Ask for the status as data; raises Refused where it is refused."""
        return read_snapshot(self.ask("status", form="json"))

    # The verbs of the table

    def help(self, verb: str | None = None) -> Reply:
        """Tell what can be typed."""
        return self.ask("help", verb=verb)

    def list(self, of: Literal["drills", "balls", "machines"]) -> Reply:
        """List what can be loaded or is known."""
        return self.ask("list", of=of)

    def load(
        self,
        name: str,
        seed: int | None = None,
        balls: int | None = None,
        hand: Literal["right", "left"] | None = None,
        elbow: float | None = None,
    ) -> Reply:
        """Load a drill by name or by the path of its file."""
        return self.ask("load", name=name, seed=seed, balls=balls, hand=hand, elbow=elbow)

    def arm(self) -> Reply:
        """Make the machine ready; the reply comes when it is."""
        return self.ask("arm")

    def disarm(self) -> Reply:
        """Give up readiness."""
        return self.ask("disarm")

    def start(self, stop_count: int) -> Reply:
        """Start the loaded drill, quoting the stop count."""
        return self.ask("start", stop_count=stop_count)

    def throw(self, ball: str, stop_count: int) -> Reply:
        """Throw one ball of one type, quoting the stop count."""
        return self.ask("throw", ball=ball, stop_count=stop_count)

    def pause(self) -> Reply:
        """Feed no more balls for now."""
        return self.ask("pause")

    def resume(self) -> Reply:
        """Go on after a pause."""
        return self.ask("resume")

    def ready(self) -> Reply:
        """End a rest that waits for the player."""
        return self.ask("ready")

    def stop(self) -> Reply:
        """Stop and wait for the reply; `stop_now` does not wait for replies before it."""
        return self.ask("stop")

    def skip(self) -> Reply:
        """Go to the next set."""
        return self.ask("skip")

    def clear(self) -> Reply:
        """Acknowledge a fault."""
        return self.ask("clear")

    def status(self, form: Literal["json"] | None = None) -> Reply:
        """Ask for the status as lines; `snapshot` gives it as data."""
        return self.ask("status", form=form)

    def watch(self, form: Literal["on", "off", "json"] | None = None) -> Reply:
        """Ask to be told what happens; `notices` gives it."""
        return self.ask("watch", form=form)

    def balls(self, count: int) -> Reply:
        """Tell how many balls are in the hopper."""
        return self.ask("balls", count=count)

    def rephase(self) -> Reply:
        """Tell that the crank was turned to its mark by hand."""
        return self.ask("rephase")

    def easier(self) -> Reply:
        """Go one step easier, at once."""
        return self.ask("easier")

    def harder(self) -> Reply:
        """Go one step harder when the set is over, or at a pause."""
        return self.ask("harder")

    def slower(self) -> Reply:
        """Go 5 balls a minute slower, at once."""
        return self.ask("slower")

    def faster(self) -> Reply:
        """Go 5 balls a minute faster when the set is over, or at a pause."""
        return self.ask("faster")

    def swap(self, ball: str, to: str) -> Reply:
        """Throw another ball in place of one, when the set is over or at a pause."""
        return self.ask("swap", ball=ball, to=to)

    def queue(
        self,
        name: str,
        seed: int | None = None,
        balls: int | None = None,
        hand: Literal["right", "left"] | None = None,
        elbow: float | None = None,
    ) -> Reply:
        """Say which drill is next."""
        return self.ask("queue", name=name, seed=seed, balls=balls, hand=hand, elbow=elbow)

    def mark(
        self,
        result: Literal["made", "missed"],
        count: int | None = None,
        of: int | None = None,
        set: int | None = None,
        ball: int | None = None,
    ) -> Reply:
        """Write down what was made: a count of a set, or one ball."""
        return self.ask("mark", result=result, count=count, of=of, set=set, ball=ball)

    def trim(
        self, ball: str, way: Literal["long", "short", "left", "right", "off"] | None = None, by: float | None = None
    ) -> Reply:
        """Shift where a ball type lands, by so many centimetres."""
        return self.ask("trim", ball=ball, way=way, by=by)

    def players(
        self,
        action: Literal["list", "add", "choose"] | None = None,
        name: str | None = None,
        hand: Literal["right", "left"] | None = None,
        level: Literal["junior", "club", "advanced"] | None = None,
        elbow: float | None = None,
    ) -> Reply:
        """List the players, add one, or say who plays; `elbow` in cm towards the forehand."""
        return self.ask("players", action=action, name=name, hand=hand, level=level, elbow=elbow)

    def history(self) -> Reply:
        """Tell what was practised today."""
        return self.ask("history")

    def offer(self) -> Reply:
        """Offer to start or to go on; the player confirms."""
        return self.ask("offer")

    def confirm(self, number: int) -> Reply:
        """Take up an offer, quoting its number."""
        return self.ask("confirm", number=number)

    def pairing(self, role: Literal["player", "coach"]) -> Reply:
        """Ask for a code that pairs one client."""
        return self.ask("pairing", role=role)

    def pair(self, secret: str) -> Reply:
        """Take the role that a code or key stands for."""
        return self.ask("pair", secret=secret)

    def paired(self) -> Reply:
        """List the clients that hold a key."""
        return self.ask("paired")

    def unpair(self, client: str) -> Reply:
        """Make a key worthless, or all."""
        return self.ask("unpair", client=client)

    def relay(self, address: str) -> Reply:
        """Speak for a client elsewhere from here on."""
        return self.ask("relay", address=address)

    def setup(self, switch: Literal["on", "off"]) -> Reply:
        """Go into set-up at the machine, or out of it."""
        return self.ask("setup", switch=switch)

    def hold(self, token: int) -> Reply:
        """Keep what was asked for going for another 300 ms; each token greater than the one before."""
        return self.ask("hold", token=token)

    def jog(self, axis: Literal["top", "bottom", "tilt"], to: float) -> Reply:
        """Turn a wheel (rpm) or the tilt (degrees) while it is held."""
        return self.ask("jog", axis=axis, to=to)

    def feed(self, count: Literal["one"] = "one") -> Reply:
        """Throw one ball while it is held."""
        return self.ask("feed", count=count)

    def cautions(self, answer: Literal["accept"] = "accept") -> Reply:
        """Acknowledge the cautions."""
        return self.ask("cautions", answer=answer)

    def quit(self) -> Reply:
        """Let the daemon close this connection."""
        return self.ask("quit")

    # Inside

    def _send(self, data: bytes) -> None:
        try:
            self._sock.sendall(data)
        except OSError as error:
            raise NoDaemon(f"the connection to {self.address} is lost ({error.strerror or error})") from error

    def _receive(self, until_s: float | None) -> None:
        if until_s is not None:
            readable, _, _ = select.select([self._sock], [], [], max(0.0, until_s - time.monotonic()))
            if not readable:
                raise TimeoutError(f"no answer from {self.address} in time")
        try:
            data = self._sock.recv(READ_BYTES)
        except OSError as error:
            raise NoDaemon(f"the connection to {self.address} is lost ({error.strerror or error})") from error
        if not data:
            raise NoDaemon(f"{self.address} has closed the connection")
        for item in self._reader.feed(data):
            if isinstance(item, Told):
                self._notices.append(item)
            else:
                self._replies.append(item)


def read_snapshot(reply: Reply) -> Snapshot:
    """Read the reply to `status json`; raises Refused where it is one, BrokenReply where it is no snapshot."""
    if not reply.ok:
        raise Refused(reply.code.name if reply.code else "internal", reply.text)
    try:
        return Snapshot.model_validate_json("".join(reply.data))
    except ValueError as error:
        raise BrokenReply("expected a status as one JSON object") from error
