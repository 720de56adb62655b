"""What people's hands and programs do to the text side: a stuck pedal, two coaches at once, a flood of nonsense."""

import random
import socket
import threading
import time
from dataclasses import dataclass, field

from drillfeed.protocol.commands import COMMANDS
from drillfeed.protocol.errors import CODES
from drillfeed.protocol.lines import STOP_BYTE, Reply, ReplyReader
from tests.faults.bench import Bench
from tests.faults.processes import first
from tests.faults.stops import check_stop
from tests.faults.verdict import Account, Scenario, Seen
from tests.support.driver_log import times

NONSENSE_LINES = 100_000
TALKERS = 4
IN_FLIGHT = 200
ANSWER_S = 30.0
WILD_WORDS = ("-1", "1e999", "nan", "é", "\\", "../..", "%s", "0x10", '"')
PATIENCE_S = 180.0
STALL_MS = 250.0  # a daemon or driver that stands still for so long closes the feed, by design


def pedal_stuck() -> Seen:
    """The foot switch's contact closes in mid-drill and never opens again."""
    with Bench() as bench:
        client = bench.feeding()
        from_s = time.monotonic()
        bench.run("pedal", "tests.faults.stuck_pedal", bench.address)
        bench.wait(lambda: client.snapshot().state == "IDLE", 20.0, "stopped by the pedal")
        account = Account(bench)
        log = bench.log()
        stop_s = first(times(log, "stop", from_s))
        epoch_s = first(times(log, "epoch", from_s))
        account.true("paused before it stopped", bool(stop_s and epoch_s and epoch_s < stop_s))
        account.none("feeds after the pause", times(log, "feed", epoch_s or from_s), from_s)
        account.true("the player arms again", client.arm().ok)
        armed_s = time.monotonic()
        time.sleep(8.0)
        now = client.snapshot()
        account.true("nothing starts while it stays down", now.state == "ARMED", now.state)
        account.none("feeds", times(bench.log(), "feed", armed_s), armed_s)
        account.true("the client still runs", bench.processes["pedal"].poll() is None)
        return account.seen()


def two_coaches() -> Seen:
    """Two clients give opposite commands at once; one of them stops."""
    with Bench() as bench:
        first = bench.feeding()
        second = bench.client()
        ended = threading.Event()

        def contrary() -> None:
            while not ended.is_set():
                for line in ("pause", "resume", "skip", "ready", "arm", "start 0", "disarm", "clear"):
                    second.ask_line(line)

        thread = threading.Thread(target=contrary, daemon=True)
        thread.start()
        time.sleep(3.0)
        sent_s = time.monotonic()
        first.stop()
        time.sleep(4.0)
        ended.set()
        thread.join(5.0)
        account = Account(bench)
        check_stop(account, sent_s)
        account.true("starts with the old count refused", first.snapshot().state in ("IDLE", "ARMED", "STOPPING"))
        return account.seen()


def nonsense(rng: random.Random) -> bytes:
    """Return one line that no daemon can carry out, without the stop byte, never empty and never two."""
    verb = rng.choice([verb for verb in COMMANDS if verb not in ("stop", "quit")])
    kind = rng.randrange(7)
    if kind == 0:
        line = rng.randbytes(rng.randint(1, 300))
    elif kind == 1:
        line = rng.randbytes(rng.randint(600, 3000))
    elif kind == 2:
        line = f"{verb}{rng.randint(0, 9)} now".encode()
    elif kind == 3:
        line = " ".join([verb, *rng.choices(WILD_WORDS, k=12)]).encode()
    elif kind == 4:
        line = f"{verb} colour=blue".encode()
    elif kind == 5:
        line = verb.encode() + b" " * 700 + b"1"
    else:
        line = "".join(chr(rng.randrange(0x21, 0x2FFF)) for _ in range(rng.randint(1, 80))).encode()
    banned = bytes((STOP_BYTE, 10, 13))
    cleaned = bytes(character for character in line if character not in banned)
    # A line of blanks alone is no line; and what happens to be a verb of one word would be obeyed.
    return b"no:" + cleaned if kind in (0, 1, 6) else cleaned


@dataclass
class Talker:
    """One connection that types nonsense and checks each answer."""

    address: str
    seed: int
    lines: int
    answers: int = 0
    accepted: list[str] = field(default_factory=list)
    strange: list[str] = field(default_factory=list)
    error: str = ""

    def run(self) -> None:
        """Type all lines, `IN_FLIGHT` at most unanswered."""
        try:
            self._talk()
        except Exception as error:
            self.error = f"{type(error).__name__}: {error}"

    def _talk(self) -> None:
        rng = random.Random(self.seed)
        host, _, port = self.address.rpartition(":")
        reader, sent = ReplyReader(), 0
        with socket.create_connection((host, int(port)), ANSWER_S) as wire:
            while self.answers < self.lines:
                if sent < self.lines and sent - self.answers < IN_FLIGHT:
                    several = min(IN_FLIGHT // 2, self.lines - sent)
                    wire.sendall(b"".join(nonsense(rng) + b"\n" for _ in range(several)))
                    sent += several
                data = wire.recv(65_536)
                if not data:
                    raise ConnectionError("the daemon closed the connection")
                for item in reader.feed(data):
                    if isinstance(item, Reply):
                        self._answered(item)

    def _answered(self, reply: Reply) -> None:
        self.answers += 1
        if reply.ok:
            self.accepted.append(reply.verb)
        elif reply.code is None or CODES.get(reply.code.name) != reply.code or reply.code.name == "internal":
            self.strange.append(reply.text)


def nonsense_lines() -> Seen:
    """Random, malformed and over-long lines from several clients while a drill runs; a stop among them."""
    with Bench() as bench:
        client = bench.feeding(balls=1000)
        client.balls(1000)
        stop_count = client.snapshot().stop_count
        talkers = [Talker(bench.address, seed, NONSENSE_LINES // TALKERS) for seed in range(TALKERS)]
        threads = [threading.Thread(target=talker.run, daemon=True) for talker in talkers]
        from_s = time.monotonic()
        for thread in threads:
            thread.start()
        states = set()
        while any(thread.is_alive() for thread in threads) and time.monotonic() < from_s + PATIENCE_S:
            states.add(client.snapshot().state)
            time.sleep(0.1)
        took_s = time.monotonic() - from_s
        account = Account(bench)
        answered = sum(talker.answers for talker in talkers)
        account.true(f"of {NONSENSE_LINES} lines answered", answered == NONSENSE_LINES, f"{answered} in {took_s:.0f} s")
        errors = [talker.error for talker in talkers if talker.error]
        account.true("connections held", not errors, errors or None)
        accepted = sorted({verb for talker in talkers for verb in talker.accepted})
        account.true("none accepted", not accepted, accepted or None)
        strange = [text for talker in talkers for text in talker.strange]
        account.true("each refusal has a code of the list", not strange, strange[:2] or None)
        now, fed = client.snapshot(), len(times(bench.log(), "feed", from_s))
        told = f"{sorted(states)} {now.reason or ''}; worst tick {now.worst_late_ms} ms late"
        account.true_if_awake("state all the while", states == {"FEEDING"}, told, from_s, STALL_MS)
        account.true_if_awake("stop count", now.stop_count == stop_count, now.stop_count, from_s, STALL_MS)
        account.true_if_awake("balls fed meanwhile", fed >= took_s * 0.8 - 2, fed, from_s, STALL_MS)
        sent_s = time.monotonic()
        client.stop()
        time.sleep(1.0)
        check_stop(account, sent_s)
        return account.seen()


SCENARIOS = (
    Scenario(
        "pedal-stuck",
        "the foot switch's contact closes in mid-drill and stays closed",
        "pauses, then stops; starts nothing while it stays down",
        pedal_stuck,
    ),
    Scenario(
        "two-coaches",
        "two clients give opposite commands as fast as they can; one stops",
        "the stop wins; nothing starts again",
        two_coaches,
    ),
    Scenario(
        "nonsense-lines",
        f"{NONSENSE_LINES:,} random, malformed and over-long lines from {TALKERS} clients",
        "each refused with a code of the list; the drill goes on; a stop gets through",
        nonsense_lines,
    ),
)
