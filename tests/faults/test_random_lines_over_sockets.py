"""Random commands over real sockets against real processes: nothing crashes, every answer is well formed.

Every verb of the command table is typed, in each role, well and badly; a refusal is of the closed list and changes
nothing; a stop gets through from everybody.
"""

import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import ClassVar

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from drillfeed.daemon.demo.processes import Pair, running_pair
from drillfeed.daemon.demo.real import until_ready
from drillfeed.protocol.commands import COMMANDS, ROLES, Role
from drillfeed.protocol.greetings import greeting_of
from drillfeed.protocol.lines import STOP_BYTE
from drillfeed.protocol.status import TOPICS
from tests.faults.talking import STOP_S, Line, Talker
from tests.faults.words import ON_NO_WAY, WALKS, command_lines, spoilt_lines

EACH_KIND = 5
STEPS = 50
ELSEWHERE = "192.0.2.7"
WHO = st.sampled_from(ROLES)
OF_WEIGHT: st.SearchStrategy[Role] = st.sampled_from(["owner", "player"])


class Talk(RuleBasedStateMachine):
    """One client a role, and one that watches, of one daemon; they type whatever comes into their heads."""

    pair: ClassVar[Pair]
    socket: ClassVar[Path]
    typed: ClassVar[set[str]]

    def __init__(self) -> None:
        super().__init__()
        self.stack = ExitStack()
        self.beside = self.stack.enter_context(Line(self.pair.tcp))
        self.watcher = self.stack.enter_context(Line(self.pair.tcp))
        assert self.watcher.ask("watch json").ok
        self.talkers = {role: self.talker(role) for role in ROLES}
        code = self.talkers["owner"].type("invite coach").data[0].split()[-1]
        self.talkers["coach"].type(f"pair {code}")
        assert self.talkers["anyone"].type(f"relay {ELSEWHERE}").ok

    def talker(self, role: Role) -> Talker:
        line = self.stack.enter_context(Line(str(self.socket) if role == "owner" else self.pair.tcp))
        return Talker(line, self.beside, self.typed)

    def teardown(self) -> None:
        try:
            assert self.pair.daemon.poll() is None, "the daemon has ended"
            for told in self.watcher.told:
                assert told.topic in TOPICS, told
            for talker in self.talkers.values():
                assert talker.type("quit").ok
                assert talker.line.socket.recv(1) == b"", "quit leaves the connection open"
        finally:
            self.stack.close()

    @rule(line=command_lines(), who=WHO)
    def type_a_command(self, line: str, who: Role) -> None:
        self.talkers[who].type(line)

    @rule(line=spoilt_lines(), who=WHO)
    def type_it_badly(self, line: str, who: Role) -> None:
        """A word too many, one missing or one out of range: refused as that, whoever types it in whatever state."""
        reply = self.talkers[who].type(line)
        assert reply.code is not None and reply.code.name == "bad-argument", (line, reply)

    @initialize(walk=st.sampled_from(WALKS), who=OF_WEIGHT, steps=st.integers(1, 12))
    def begin_a_way(self, walk: tuple[str, ...], who: Role, steps: int) -> None:
        """Begin at rest, so that the way leads somewhere."""
        self.talkers["owner"].type("stop")
        self.talkers["owner"].come_to_rest()
        self.talkers["owner"].type("clear")
        for line in ON_NO_WAY:
            self.talkers[who].type(line)
        self.go_a_way(walk, who, steps)

    @rule(walk=st.sampled_from(WALKS), who=OF_WEIGHT, steps=st.integers(1, 12))
    def go_a_way(self, walk: tuple[str, ...], who: Role, steps: int) -> None:
        """Type what leads through the states, as a person would, so that talks get as far as turning wheels."""
        for line in walk[:steps]:
            count = self.talkers[who].snapshot().stop_count
            self.talkers[who].type(line.format(count=count))

    @rule(who=WHO)
    def go_on_a_way(self, who: Role) -> None:
        """Type what status says is next."""
        self.talkers[who].type(self.talkers[who].snapshot().next_step or "help")

    @rule(text=st.text(min_size=1, max_size=40).filter(lambda text: text.strip(" \r\n") and "\x18" not in text))
    def type_nonsense(self, text: str) -> None:
        data = text.replace("\n", " ").encode("utf-8", "surrogatepass")
        first = data.lower().split()[:1]
        if not data.strip(b" \r") or greeting_of(data) is not None or first in ([b"quit"], [b"relay"]):
            return  # nothing is said, or the connection ends, which has tests of its own
        if first:
            self.talkers["player"].type(data.decode("utf-8", "replace"))
        else:
            self.talkers["player"].send(data + b"\n")

    @rule(data=st.binary(min_size=1, max_size=700).filter(lambda data: not {10, 13, 32, STOP_BYTE} & set(data)))
    def send_bytes(self, data: bytes) -> None:
        if greeting_of(data) is None:  # another protocol's greeting ends the connection, and has tests of its own
            self.talkers["player"].send(data + b"\n")

    @rule(lines=st.lists(command_lines(), min_size=2, max_size=8), who=WHO)
    def type_ahead(self, lines: list[str], who: Role) -> None:
        """Lines sent at once are answered one for one, in order."""
        self.talkers[who].type_ahead(lines)

    @rule(half=st.sampled_from([b"", b"loa", b"start 4"]), byte=st.booleans(), who=WHO)
    def stop(self, half: bytes, byte: bool, who: Role) -> None:
        """A stop is carried out at once, whoever sends it in whatever state, also in the middle of a line."""
        talker = self.talkers[who]
        count = talker.snapshot().stop_count
        if byte:
            talker.line.send(half + bytes([STOP_BYTE]))
        else:
            assert talker.line.ask("stop", STOP_S).ok
            self.typed.add("stop")
        end_s = time.monotonic() + STOP_S
        while (now := talker.snapshot(STOP_S)).stop_count == count and time.monotonic() < end_s:
            pass  # nothing answers the byte on a connection that does not watch
        assert now.stop_count > count and now.feed == "closed" and now.state not in ("SPINUP", "FEEDING", "SETUP")


@pytest.fixture
def place() -> Iterator[tuple[Pair, Path]]:
    """Run a daemon that can be reached over TCP and a Unix socket, whose path must be short."""
    with tempfile.TemporaryDirectory() as folder:
        socket_file = Path(folder) / "lines"
        with running_pair("club-build", seed=1, folder=Path(folder), socket_file=socket_file) as running:
            with running.client() as client:
                until_ready(client)
                client.cautions()
            yield running, socket_file


def test_random_talk_never_breaks_the_daemon(place: tuple[Pair, Path]) -> None:
    """Whatever is typed by whom, in whatever state: one well-formed answer each, no refusal that changes something."""
    Talk.pair, Talk.socket = place
    Talk.typed = set()
    run_state_machine_as_test(
        Talk,
        settings=settings(
            max_examples=EACH_KIND,
            stateful_step_count=STEPS,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
    log = Talk.pair.errors.read_text(errors="replace")
    assert "Traceback" not in log and "mistake" not in log, log[-3000:]
    never = set(COMMANDS) - Talk.typed
    assert not never, f"never typed: {never}"
    with Line(str(Talk.socket)) as line:
        assert line.ask("stop").ok
        Talker(line, line, Talk.typed).come_to_rest()
