"""A connection that checks all it reads, and a client that sees to it that a refusal changed nothing."""

import json
import socket
import time
from typing import Self

from drillfeed.protocol.commands import COMMANDS, State
from drillfeed.protocol.errors import CODES
from drillfeed.protocol.lines import ReceivedNotice, Reply, ReplyReader
from drillfeed.protocol.status import Snapshot

ANSWER_S = 15.0
STOP_S = 1.0
REST_S = 15.0
POLL_S = 0.02
STILL: frozenset[State] = frozenset({"OFFLINE", "IDLE", "ARMED", "RESTING", "PAUSED", "FAULT", "SETUP"})
"""States that last until somebody says something or something goes wrong."""
LASTING = ("state", "stop_count", "player", "drill", "seed", "sets", "queued", "crank_phase")
"""What no time changes while the state is one of these."""
CHANGED = ("rung", "changes", "change_waits")
"""The same, but where a change waits for its moment, which may come between two looks."""
ASKED_BY = {"players": "players", "trim": "trim light-push", "pair": "clients", "unpair": "clients"}
"""What a verb changes that no status tells, and the line that asks for it."""


class Line:
    """One connection, to HOST:PORT or the path of a Unix socket, that checks everything it reads."""

    def __init__(self, address: str) -> None:
        if address.startswith("/"):
            self.socket = socket.socket(socket.AF_UNIX)
            self.socket.settimeout(ANSWER_S)
            self.socket.connect(address)
        else:
            host, _, port = address.rpartition(":")
            self.socket = socket.create_connection((host, int(port)), ANSWER_S)
        self.reader = ReplyReader()
        self.replies: list[Reply] = []
        self.told: list[ReceivedNotice] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.socket.close()

    def send(self, data: bytes) -> None:
        self.socket.sendall(data)

    def reply(self, max_s: float = ANSWER_S) -> Reply:
        """Return the next reply; BrokenReply where a line is of no known form, TimeoutError where none comes."""
        self.socket.settimeout(max_s)
        while not self.replies:
            data = self.socket.recv(65_536)
            assert data, "the daemon closed the connection"
            for item in self.reader.feed(data):
                (self.replies if isinstance(item, Reply) else self.told).append(item)  # type: ignore[arg-type]
        return self.replies.pop(0)

    def ask(self, line: str, max_s: float = ANSWER_S) -> Reply:
        self.send(line.encode() + b"\n")
        return self.reply(max_s)


class Talker:
    """A client that asks over another connection, `beside`, for what must not change; `typed` collects its verbs."""

    def __init__(self, line: Line, beside: Line, typed: set[str]) -> None:
        self.line, self._beside, self._typed = line, beside, typed

    def snapshot(self, max_s: float = ANSWER_S) -> Snapshot:
        reply = self._beside.ask("status json", max_s)
        return Snapshot.model_validate(json.loads("".join(reply.data)))

    def come_to_rest(self) -> None:
        """Go on until the wheels stand after a stop or a fault."""
        end_s = time.monotonic() + REST_S
        while self.snapshot().state not in STILL:
            assert time.monotonic() < end_s, "the wheels do not come to rest"
            time.sleep(POLL_S)

    def type(self, line: str) -> Reply:
        """Type a line, check its answer, and that it changed nothing if it was refused."""
        self._typed.add(line.split(maxsplit=1)[0].lower())
        return self.send(line.encode() + b"\n", ASKED_BY.get(line.split(maxsplit=1)[0].lower()))

    def send(self, data: bytes, asked_by: str | None = None) -> Reply:
        """Send a line as bytes, with the same checks; `asked_by` asks for what status does not tell."""
        before = self._lasting(asked_by)
        self.line.send(data)
        reply = self.line.reply()
        _check(reply)
        if not reply.ok:
            after = self._lasting(asked_by)
            if before["state"] == after["state"] and before["state"] in STILL:
                both = before.keys() & after.keys()
                changed = {name: (before[name], after[name]) for name in both if before[name] != after[name]}
                assert not changed, f"{data!r} was refused ({reply.text}) and changed {changed}"
        return reply

    def type_ahead(self, lines: list[str]) -> None:
        """Type several lines at once; as many answers come, each to its own line."""
        self._typed.update(line.split(maxsplit=1)[0] for line in lines)
        self.line.send("".join(f"{line}\n" for line in lines).encode())
        for line in lines:
            reply = self.line.reply()
            _check(reply)
            assert not reply.ok or reply.verb == line.split(maxsplit=1)[0], (line, reply)

    def _lasting(self, asked_by: str | None) -> dict[str, object]:
        now = self.snapshot()
        names = LASTING if now.change_waits else (*LASTING, *CHANGED)
        told: dict[str, object] = {name: getattr(now, name) for name in names}
        told["marks"] = (now.counts.made, now.counts.marked)
        if asked_by is not None:
            told[asked_by] = self._beside.ask(asked_by)
        return told


def _check(reply: Reply) -> None:
    """A reply is done, or refused with a code of the closed list; nothing is a mistake of drillfeed's own."""
    assert reply.ok or (reply.code is not None and CODES.get(reply.code.name) == reply.code), reply
    assert reply.code is None or reply.code.name != "internal", reply.text
    assert not reply.ok or reply.verb in COMMANDS, reply
