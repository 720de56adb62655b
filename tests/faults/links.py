"""Messages between daemon and driver lost, doubled, delayed, reordered and replaced by garbage; clocks that stray."""

import json
import time
from collections.abc import Sequence

import numpy as np

from drillfeed.clients.lines import Client
from tests.faults.bench import Bench
from tests.faults.processes import first
from tests.faults.proxy import Direction, Rule, lossy, untouched, without
from tests.faults.verdict import Account, Scenario, Seen
from tests.support.driver_log import times

GARBAGE = 100_000
CLOCK_KNOWN_MS = 10.0
STALL_MS = 250.0
ORDERS = ("arm", "disarm", "stop", "clear")


def fed_between(bench: Bench, from_s: float, until_s: float | None = None) -> int:
    """Return how many balls were pushed in a stretch of time."""
    return sum(at_s <= (until_s or float("inf")) for at_s in times(bench.log(), "feed", from_s))


def setpoints_dead() -> Seen:
    """Pings and orders pass, setpoints don't."""
    with Bench(proxied=True) as bench:
        client = bench.feeding()
        assert bench.proxy is not None
        at_s = time.monotonic()
        bench.proxy.rule = without("setpoint", way="to driver")
        bench.wait(lambda: client.snapshot().state in ("QUICKSTOP", "FAULT"), 5.0, "stopped")
        time.sleep(2.5)
        account = Account(bench)
        log = bench.log()
        account.within("feed closed", at_s, first(times(log, "feed_closed", at_s)), 320.0)
        account.none("feeds after 320 ms", times(log, "feed", at_s + 0.325), at_s)
        account.true("state", client.snapshot().state == "FAULT", client.snapshot().reason)
        return account.seen()


def driver_deaf() -> Seen:
    """Everything from the driver arrives, nothing reaches it."""
    with Bench(proxied=True) as bench:
        client = bench.feeding()
        assert bench.proxy is not None
        at_s = time.monotonic()
        bench.proxy.rule = lambda way, frame: () if way == "to driver" else ((0.0, frame),)
        bench.wait(lambda: client.snapshot().state in ("QUICKSTOP", "FAULT"), 5.0, "stopped")
        time.sleep(2.0)
        account = Account(bench)
        log = bench.log()
        account.within("feed closed", at_s, first(times(log, "feed_closed", at_s)), 250.0)
        account.within("tripped", at_s, first(times(log, "watchdog", at_s)), 500.0)
        account.none("feeds after 250 ms", times(log, "feed", at_s + 0.255), at_s)
        account.true("latched", client.snapshot().state in ("QUICKSTOP", "FAULT"), client.snapshot().reason)
        return account.seen()


def _jitter(rule: Rule, seconds: float, no_fault: bool) -> Seen:
    with Bench(proxied=True) as bench:
        client = bench.feeding(balls=500)
        client.balls(1000)
        assert bench.proxy is not None
        at_s = time.monotonic()
        bench.proxy.rule = rule
        pauses = []
        while time.monotonic() < at_s + seconds:
            time.sleep(0.25)
            now = client.snapshot()
            if now.state == "PAUSED":
                pauses.append(now.reason)
                client.resume()
        now = client.snapshot()
        account = Account(bench)
        fed = fed_between(bench, at_s)
        account.true("balls fed", fed > (seconds * 0.6 if no_fault else 0), fed)
        if no_fault:
            held = now.state in ("FEEDING", "RESTING") and not pauses
            account.true_if_awake("no fault and no pause", held, pauses or now.reason or now.state, at_s, STALL_MS)
        bench.proxy.rule = untouched
        counts_agree(account, client)
        return account.seen()


def counts_agree(account: Account, client: Client) -> None:
    """Stop, then hold what the daemon counts against the driver's log: a push told and never answered is unknown."""
    client.stop()
    time.sleep(2.0)
    counts, fed = client.snapshot().counts, len(times(account.bench.log(), "feed"))
    told = f"{fed} pushed; counted {counts.commanded} fed, {counts.unknown} unknown, "
    told += f"{counts.skipped} skipped, {counts.refused} refused"
    account.true("counts agree", counts.commanded <= fed <= counts.commanded + counts.unknown, told)


def jitter_mild() -> Seen:
    """0 to 50 ms each way, messages overtaking."""
    return _jitter(lossy(np.random.default_rng(1), 0.050), 20.0, True)


def jitter_wild() -> Seen:
    """0 to 150 ms each way, 10 % lost, 5 % doubled."""
    return _jitter(lossy(np.random.default_rng(2), 0.150, 0.10, 0.05), 60.0, False)


def orders_mangled() -> Seen:
    """Each order: first copy lost, the next doubled, a third copy half a second late."""
    seen: dict[bytes, int] = {}

    def rule(way: Direction, frame: bytes) -> Sequence[tuple[float, bytes]]:
        if way == "to daemon" or not any(f'"kind":"{kind}"'.encode() in frame[:64] for kind in ORDERS):
            return ((0.0, frame),)
        seen[frame] = seen.get(frame, 0) + 1
        if seen[frame] == 1:
            return ()
        return ((0.0, frame), (0.0, frame), (0.5, frame))

    with Bench(proxied=True) as bench:
        assert bench.proxy is not None
        bench.proxy.rule = rule
        bench.ready()
        # A late copy of the first stop is obeyed, by design: let it pass before anything is armed.
        time.sleep(1.0)
        client = bench.feeding()
        sent_s = time.monotonic()
        client.stop()
        time.sleep(4.0)
        account = Account(bench)
        log = bench.log()
        account.within("stop read", sent_s, first(times(log, "stop", sent_s)), 150.0)
        account.within("feed closed", sent_s, first(times(log, "feed_closed", sent_s)), 150.0)
        account.none("armed again by a late copy", times(log, "mode", sent_s, mode="armed"), sent_s)
        bench.wait(lambda: client.snapshot().state == "IDLE", 10.0, "idle")
        account.true("arms again when asked", client.arm().ok)
        account.true("disarms", client.disarm().ok)
        time.sleep(1.0)
        modes = [event["mode"] for event in bench.log() if event["event"] == "mode"]
        account.true("last mode", modes[-1] == "disarmed", modes[-1])
        return account.seen()


def _spoilt(frame: bytes, rng: np.random.Generator) -> bytes:
    """Return a frame with one thing wrong in it."""
    choice = int(rng.integers(7))
    if choice == 0:
        return rng.bytes(int(rng.integers(0, 300)))
    if choice == 1:
        return frame[: int(rng.integers(0, max(len(frame), 1)))]
    if choice == 2:
        return frame.replace(b'"v":1', b'"v":9')
    if choice == 3:
        return frame + b" " * 20_000
    told = json.loads(frame)
    key = list(told)[int(rng.integers(len(told)))]
    if choice == 4:
        del told[key]
        return json.dumps(told).encode() if key not in ("epoch", "seq") else b"{}"
    told[key] = "@"
    bad_value = ("NaN", "1e999", "-1e9", '"x"', "[]", "null")[int(rng.integers(6))]
    return json.dumps(told).replace('"@"', bad_value).encode()


def garbage_both_ways() -> Seen:
    """Spoilt frames both ways beside the real ones; none of them a valid stop."""
    rng = np.random.default_rng(3)
    with Bench(proxied=True) as bench:
        client = bench.feeding(balls=500)
        client.balls(1000)
        proxy = bench.proxy
        assert proxy is not None
        at_s, sent = time.monotonic(), 0
        while sent < GARBAGE:
            for way in ("to driver", "to daemon"):
                kept = [frame for frame in proxy.last[way] if b"hello" not in frame]
                spoilt = [_spoilt(kept[int(rng.integers(len(kept)))], rng) for _ in range(50)]
                harmless = [
                    frame for frame in spoilt if b'"kind":"stop"' not in frame and b'"kind": "stop"' not in frame
                ]
                # A spoilt copy that still is a whole message counts as a late or doubled one, which is no garbage.
                proxy.inject(way, [frame for frame in harmless if not _whole(frame)])
                sent += len(harmless)
            time.sleep(0.05)
        time.sleep(2.0)
        account = Account(bench)
        log = bench.log()
        refused = len(times(log, "message_refused", at_s))
        account.true("refused by the driver", refused > 1000, refused)
        account.true("drill goes on", client.snapshot().state == "FEEDING", client.snapshot().reason)
        account.true("balls fed meanwhile", fed_between(bench, at_s) > 3, fed_between(bench, at_s))
        return account.seen()


def _whole(frame: bytes) -> bool:
    from drillfeed.protocol.frames import BadFrame, decode_from_daemon, decode_from_driver

    for decode in (decode_from_daemon, decode_from_driver):
        try:
            decode(frame)
        except BadFrame:
            continue
        return True
    return False


def _clock(kind: str, ends_in: str) -> Seen:
    with Bench(driver=("tests.faults.odd_driver", kind)) as bench:
        client = bench.feeding(balls=100)
        time.sleep(12.0)
        now = client.snapshot()
        account = Account(bench)
        account.true("state", now.state == ends_in, f"{now.state} {now.reason or ''}")
        known = now.clock_error_ms is not None and now.clock_error_ms < CLOCK_KNOWN_MS
        account.true("clock error shown", known == (ends_in == "FEEDING"), f"{now.clock_error_ms} ms")
        fed = len(times(bench.log(), "feed"))
        account.true("balls fed", fed > (8 if ends_in == "FEEDING" else 1), fed)
        return account.seen()


SCENARIOS = (
    Scenario(
        "setpoints-dead",
        "pings and orders pass, setpoints are lost",
        "feed closed by 300 ms; FAULT",
        setpoints_dead,
        ci=True,
    ),
    Scenario(
        "driver-deaf",
        "status passes, nothing reaches the driver",
        "driver closes at 250 ms, trips at 500 ms; FAULT",
        driver_deaf,
    ),
    Scenario(
        "jitter-50", "0-50 ms each way, overtaking, 20 s", "no fault; nothing late, doubled or stepped", jitter_mild
    ),
    Scenario(
        "jitter-150",
        "0-150 ms each way, 10 % lost, 5 % doubled, 60 s",
        "nothing late, doubled or stepped; skips counted",
        jitter_wild,
    ),
    Scenario(
        "orders-mangled",
        "each order: first copy lost, next doubled, another 0.5 s late",
        "stop within 150 ms; no late copy acts",
        orders_mangled,
    ),
    Scenario(
        "garbage",
        f"{GARBAGE:,} spoilt frames: bytes, NaN, 1e999, wrong version, missing fields, 20 kB",
        "refused; the drill goes on",
        garbage_both_ways,
    ),
    Scenario(
        "clock-drift", "driver's clock 300 ppm fast", "no fault; balls on time", lambda: _clock("drift", "FEEDING")
    ),
    Scenario(
        "clock-step",
        "driver's clock steps by 0.4 s in mid-drill",
        "nothing late or early; PAUSED: the driver's clock is not known",
        lambda: _clock("step", "PAUSED"),
    ),
    Scenario(
        "wall-clock",
        "wall clock of both sides jumps an hour to and fro",
        "nothing: only monotonic time is used",
        lambda: _clock("wall", "FEEDING"),
    ),
)
