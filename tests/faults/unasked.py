"""Wheels that turn by themselves, and drivers that say what is not so."""

import time

from drillfeed.daemon.library.loading import load_machine
from tests.faults.bench import Bench
from tests.faults.processes import first
from tests.faults.verdict import Account, Scenario, Seen
from tests.support.driver_log import times

RIM_MPS, FAULT_MS = 0.3, 300.0
LIE_MS = 300.0
FROM_S = 14.0
BY_ITSELF = f"top-drive=fixed:3000@{FROM_S:g}"


def _turns_from(bench: Bench) -> float | None:
    """Return when the top wheel truly began to turn, by the driver's log."""
    rpm = load_machine(bench.machine).top.rpm(RIM_MPS)
    return first([event["t"] for event in bench.log() if event["event"] == "wheels" and event["top_true_rpm"] > rpm])


def by_itself_while_armed() -> Seen:
    """The top motor begins to run by itself while the thrower is armed; somebody types start."""
    with Bench(faults=(BY_ITSELF,)) as bench:
        client = bench.armed(10)
        bench.wait(lambda: _turns_from(bench) is not None, 30.0, "turning by itself")
        bench.wait(lambda: client.snapshot().state in ("QUICKSTOP", "FAULT"), 5.0, "a fault")
        stop_s = bench.first_logged("stop", _turns_from(bench) or 0.0)
        reply, now = client.start(client.snapshot().stop_count), client.snapshot()
        account = Account(bench)
        from_s = _turns_from(bench) or 0.0
        account.within("fault, stop read", from_s, stop_s, FAULT_MS)
        account.true("says so", "top wheel turns at" in (now.reason or ""), now.reason)
        account.true("start refused", not reply.ok, reply.text)
        account.none("feeds", times(bench.log(), "feed"))
        return account.seen()


def by_itself_while_idle() -> Seen:
    """The top motor begins to run by itself while the daemon is idle; somebody types arm."""
    with Bench(faults=(BY_ITSELF,)) as bench:
        client = bench.ready()
        bench.wait(lambda: _turns_from(bench) is not None, 30.0, "turning by itself")
        time.sleep(1.0)
        reply, now = client.arm(), client.snapshot()
        account = Account(bench)
        told = [text for text in now.warnings if "top wheel turns at" in text]
        account.true("status says so", bool(told), told)
        account.true("arm refused", not reply.ok and "top wheel turns at" in reply.text, reply.text)
        account.true("state", now.state == "IDLE", now.state)
        account.none("armed", times(bench.log(), "mode", mode="armed"))
        return account.seen()


def _lies(kind: str, words: str) -> Seen:
    """Let a driver say what is not so, in mid-drill or while idle: told, stopped, and not armed again."""
    with Bench(driver=("tests.faults.odd_driver", kind)) as bench:
        client = bench.feeding(fed=1, balls=100)
        from_s = float(bench.words("driver").partition("lies from ")[2].split()[0])
        bench.wait(lambda: client.snapshot().state in ("QUICKSTOP", "FAULT"), 20.0, "a fault")
        account = Account(bench)
        account.within("stop read", from_s, bench.first_logged("stop", from_s), LIE_MS)
        sent_s = time.monotonic()
        client.stop()
        time.sleep(1.0)
        stops = times(bench.log(), "stop", sent_s)
        account.true("stops read", bool(stops), len(stops))
        now = client.snapshot()
        account.true("says so", words in f"{now.reason} {now.warnings}", now.reason)
        reply = client.arm()
        account.true("arm refused", not reply.ok, reply.text)
        account.none("feeds after the stop", times(bench.log(), "feed", from_s + LIE_MS / 1000), from_s)
        return account.seen()


def _lies_idle(kind: str, words: str) -> Seen:
    """The same while the daemon is idle."""
    with Bench(driver=("tests.faults.odd_driver", kind)) as bench:
        client = bench.ready()
        bench.wait(lambda: any("contradicts" in text for text in client.snapshot().warnings), 30.0, "told")
        reply, now = client.arm(), client.snapshot()
        account = Account(bench)
        told = [text for text in now.warnings if words in text]
        account.true("status says so", bool(told), told)
        account.true("arm refused", not reply.ok and words in reply.text, reply.text)
        account.none("armed", times(bench.log(), "mode", mode="armed"))
        return account.seen()


def _row(kind: str, injected: str, words: str) -> tuple[Scenario, Scenario]:
    return (
        Scenario(
            f"driver-lies-{kind}",
            f"{injected}, in mid-drill; then stop, then arm",
            f"FAULT, stop read within {LIE_MS:g} ms; told; arm refused",
            lambda: _lies(kind, words),
        ),
        Scenario(
            f"driver-lies-{kind}-idle",
            f"{injected}, while idle; then arm",
            "status tells it; arm refused",
            lambda: _lies_idle(kind, words),
        ),
    )


SCENARIOS = (
    Scenario(
        "turns-by-itself-armed",
        f"{BY_ITSELF}, armed; then start",
        f"FAULT within {FAULT_MS:g} ms of {RIM_MPS:g} m/s at the rim; start refused",
        by_itself_while_armed,
    ),
    Scenario(
        "turns-by-itself-idle",
        f"{BY_ITSELF}, idle; then arm",
        "status names the wheel; arm refused",
        by_itself_while_idle,
    ),
    *_row("rest", "`at_rest: true` with 3,000 rpm measured", "3,000 rpm"),
    *_row("outputs", "mode armed, at rest, outputs at 3,000 rpm", "output of 3,000 rpm"),
    *_row("results", "results of balls of the future", "ball 1000000"),
    *_row("epoch", "statuses show an epoch of 2^53", "epoch 9007199254740992"),
)
