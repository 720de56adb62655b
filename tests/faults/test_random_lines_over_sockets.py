"""Random commands over real sockets against real processes: nothing crashes, every answer is well formed."""

import json
import socket
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import ClassVar

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule, run_state_machine_as_test

from drillfeed.daemon.demo.processes import Pair, running_pair
from drillfeed.daemon.demo.real import until_ready
from drillfeed.protocol.commands import COMMANDS, Argument, Command, Value, line_of
from drillfeed.protocol.errors import CODES
from drillfeed.protocol.lines import STOP_BYTE, Reply, ReplyReader, Told
from drillfeed.protocol.status import TOPICS, Snapshot

ANSWER_S = 15.0
STOP_S = 1.0
# Names that are known and names that are not; drills short enough to be planned at once.
NAMES = ("lift-the-push", "steady-drives", "light-push", "heavy-push", "left-hander", "load", "nobody", "x y", "é")
CLOSING = {"quit", "relay"}  # these give the connection up, or speak for another from then on
EACH_KIND = 12
STEPS = 25


class Line:
    """One connection that checks everything it reads."""

    def __init__(self, address: str) -> None:
        host, _, port = address.rpartition(":")
        self.socket = socket.create_connection((host, int(port)), ANSWER_S)
        self.reader = ReplyReader()
        self.replies: list[Reply] = []
        self.told: list[Told] = []

    def send(self, data: bytes) -> None:
        self.socket.sendall(data)

    def reply(self, most_s: float = ANSWER_S) -> Reply:
        """Return the next reply; BrokenReply where a line is of no known form, TimeoutError where none comes."""
        self.socket.settimeout(most_s)
        while not self.replies:
            data = self.socket.recv(65_536)
            assert data, "the daemon closed the connection"
            for item in self.reader.feed(data):
                (self.replies if isinstance(item, Reply) else self.told).append(item)  # type: ignore[arg-type]
        return self.replies.pop(0)

    def ask(self, line: str, most_s: float = ANSWER_S) -> Reply:
        self.send(line.encode() + b"\n")
        return self.reply(most_s)


def value_of(argument: Argument) -> st.SearchStrategy[Value]:
    if argument.kind == "choice":
        return st.sampled_from(argument.choices)
    if argument.kind == "name":
        return st.sampled_from(NAMES)
    low, high = int(argument.least or 0), int(argument.most or 0)
    return st.integers(low, min(high, low + 40)) | st.integers(low, high)


@st.composite
def command_lines(draw: st.DrawFn) -> str:
    row = draw(st.sampled_from([row for verb, row in COMMANDS.items() if verb not in CLOSING]))
    placed = [one for one in row.arguments if not one.keyed]
    chosen = placed[: draw(st.integers(sum(not one.optional for one in placed), len(placed)))]
    chosen += [one for one in row.arguments if one.keyed and (not one.optional or draw(st.booleans()))]
    return line_of(Command(row.verb, {one.name: draw(value_of(one)) for one in chosen}))


def check(reply: Reply) -> None:
    """A reply is done, or refused with a code of the closed list; nothing is a mistake of drillfeed's own."""
    assert reply.ok or (reply.code is not None and CODES.get(reply.code.name) == reply.code)
    assert reply.code is None or reply.code.name != "internal", reply.text


class Talk(RuleBasedStateMachine):
    """Two clients of one daemon that type whatever comes into their heads."""

    pair: ClassVar[Pair]

    def __init__(self) -> None:
        super().__init__()
        self.stack = ExitStack()
        self.lines = [Line(self.pair.tcp) for _ in range(2)]
        for line in self.lines:
            self.stack.callback(line.socket.close)
        assert self.lines[1].ask("watch json").ok

    def teardown(self) -> None:
        try:
            assert self.pair.daemon.poll() is None, "the daemon has ended"
            reply = self.lines[0].ask("status json")
            Snapshot.model_validate(json.loads("".join(reply.data)))
            for told in self.lines[1].told:
                assert told.topic in TOPICS, told
        finally:
            self.stack.close()

    @rule(line=command_lines(), which=st.sampled_from([0, 1]))
    def type_a_command(self, line: str, which: int) -> None:
        check(self.lines[which].ask(line))

    @rule(which=st.sampled_from([0, 1]))
    def go_on_a_way(self, which: int) -> None:
        """Type what status says is next, so that talks get as far as turning wheels."""
        line = self.lines[which]
        now = Snapshot.model_validate(json.loads("".join(line.ask("status json").data)))
        check(line.ask(now.next_step or "help"))

    @rule(text=st.text(min_size=1, max_size=40).filter(lambda text: text.strip(" \r\n") and "\x18" not in text))
    def type_nonsense(self, text: str) -> None:
        line = self.lines[0]
        data = text.replace("\n", " ").encode("utf-8", "surrogatepass")
        if not data.strip(b" \r") or data.lower().split()[:1] in ([b"quit"], [b"relay"]):
            return
        check(line.ask(data.decode("utf-8", "replace")))

    @rule(data=st.binary(min_size=1, max_size=700).filter(lambda data: not {10, 13, 32, STOP_BYTE} & set(data)))
    def send_bytes(self, data: bytes) -> None:
        self.lines[0].send(data + b"\n")
        check(self.lines[0].reply())

    @rule(lines=st.lists(command_lines(), min_size=2, max_size=8))
    def type_ahead(self, lines: list[str]) -> None:
        """Lines sent at once are answered one for one, in order."""
        self.lines[0].send("".join(f"{line}\n" for line in lines).encode())
        for _ in lines:
            check(self.lines[0].reply())

    @rule(half=st.sampled_from([b"", b"loa", b"start 4"]), byte=st.booleans())
    def stop(self, half: bytes, byte: bool) -> None:
        """A stop is answered at once in whatever state, also in the middle of a line."""
        if byte:
            self.lines[1].send(half + bytes([STOP_BYTE]))
            reply = self.lines[1].ask("status json", STOP_S)
        else:
            reply = self.lines[1].ask("stop", STOP_S)
            assert reply.verb == "stop"
        assert reply.ok


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[Pair]:
    with tempfile.TemporaryDirectory() as folder, running_pair("club-build", seed=1, folder=Path(folder)) as running:
        with running.client() as client:
            until_ready(client)
            client.cautions()
        yield running


def test_random_talk_never_breaks_the_daemon(pair: Pair) -> None:
    """Whatever is typed, in whatever state: each line has one well-formed answer, stop's comes within a second."""
    Talk.pair = pair
    run_state_machine_as_test(  # type: ignore[no-untyped-call]
        Talk,
        settings=settings(
            max_examples=EACH_KIND,
            stateful_step_count=STEPS,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
    log = pair.errors.read_text(errors="replace")
    assert "Traceback" not in log and "mistake" not in log, log[-3000:]
