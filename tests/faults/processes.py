"""Processes killed, frozen, restarted and told to end."""

import signal
import time
from collections.abc import Sequence

from tests.faults.bench import Bench
from tests.faults.verdict import Account, Scenario, Seen
from tests.support.driver_log import LogEvent, times

FEED_MS, STOP_MS = 250.0, 500.0
AFTERWARDS_S = 6.0
SLEEP_S, DOZE_S = 30.0, 0.45
LAST_SAMPLE_RPM = 200.0


def first(found: list[float]) -> float | None:
    """Return the first of some moments, if there is one."""
    return found[0] if found else None


def own_ramp(bench: Bench, account: Account, from_s: float) -> None:
    """Check that the driver closed its feed, tripped and brought the wheels down by itself."""
    log = bench.log()
    account.within("feed closed", from_s, first(times(log, "feed_closed", from_s)), FEED_MS)
    account.within("tripped", from_s, first(times(log, "watchdog", from_s)), STOP_MS)
    account.none("feeds after 250 ms", times(log, "feed", from_s + (FEED_MS + 5) / 1000), from_s)
    wheels = [event for event in log if event["event"] == "wheels" and event["t"] > from_s]
    last = wheels[-1] if wheels else None
    at_rest = last is not None and last["top_out_rpm"] < 200 and last["bottom_out_rpm"] < 200
    account.true("wheels ramped down by the driver alone", at_rest, None if last is None else last["top_out_rpm"])


def daemon_killed() -> Seen:
    """Kill the daemon in mid-drill."""
    with Bench() as bench:
        bench.feeding()
        at_s = bench.signal("daemon", signal.SIGKILL)
        time.sleep(2.0)
        account = Account(bench)
        own_ramp(bench, account, at_s)
        return account.seen()


def daemon_restarted() -> Seen:
    """Kill the daemon in mid-drill and start another at once."""
    with Bench() as bench:
        bench.feeding()
        at_s = bench.signal("daemon", signal.SIGKILL)
        bench.processes["daemon"].wait()
        bench.start_daemon()
        client = bench.client()
        time.sleep(AFTERWARDS_S)
        account = Account(bench)
        log = bench.log()
        new_s = first(times(log, "session", at_s))
        account.true("another session adopted", new_s is not None)
        account.none("feeds after 250 ms", times(log, "feed", at_s + FEED_MS / 1000), at_s)
        account.none("armed again", times(log, "mode", at_s, mode="armed"), at_s)
        account.true("the daemon's first order is stop", bool(times(log, "stop", at_s)))
        state = client.snapshot().state
        account.true("state", state in ("IDLE", "QUICKSTOP", "FAULT"), state)
        return account.seen()


def daemon_frozen() -> Seen:
    """Freeze the daemon for 3 s in mid-drill and let it go on."""
    with Bench() as bench:
        client = bench.feeding()
        at_s = bench.freeze("daemon", 3.0)
        time.sleep(AFTERWARDS_S)
        account = Account(bench)
        own_ramp(bench, account, at_s)
        account.none("armed again", times(bench.log(), "mode", at_s, mode="armed"), at_s)
        now = client.snapshot()
        account.true("at rest in FAULT", now.state == "FAULT" and now.wheels_at_rest is True, now.reason)
        return account.seen()


def driver_frozen() -> Seen:
    """Freeze the driver for 3 s in mid-drill and let it go on."""
    with Bench() as bench:
        client = bench.feeding()
        at_s = bench.freeze("driver", 3.0)
        time.sleep(AFTERWARDS_S)
        account = Account(bench)
        log = bench.log()
        awake_s = at_s + 2.9
        account.none("feeds after it woke", times(log, "feed", awake_s), at_s)
        account.none("feed opened after it woke", times(log, "feed_opened", awake_s), at_s)
        account.within("tripped after waking", at_s + 3.0, first(times(log, "watchdog", awake_s)), 100.0, True)
        now = client.snapshot()
        account.true("at rest in FAULT", now.state == "FAULT" and now.wheels_at_rest is True, now.reason)
        return account.seen()


def driver_killed() -> Seen:
    """Kill the driver in mid-drill and start it anew."""
    with Bench() as bench:
        client = bench.feeding()
        at_s = bench.signal("driver", signal.SIGKILL)
        bench.processes["driver"].wait()
        time.sleep(1.0)
        bench.start_driver()
        bench.wait(lambda: client.snapshot().state == "FAULT", 20.0, "in FAULT")
        time.sleep(3.0)
        account = Account(bench)
        log = bench.log()
        account.none("feeds of the new driver", times(log, "feed", at_s + 0.02), at_s)
        account.none("armed again", times(log, "mode", at_s, mode="armed"), at_s)
        now = client.snapshot()
        account.true("stays in FAULT", now.state == "FAULT", now.reason)
        return account.seen()


def daemon_told_to_end() -> Seen:
    """SIGTERM in mid-drill."""
    with Bench() as bench:
        bench.feeding()
        at_s = bench.signal("daemon", signal.SIGTERM)
        code = bench.processes["daemon"].wait(30.0)
        account = Account(bench)
        log = bench.log()
        account.within("stop read", at_s, first(times(log, "stop", at_s)), 250.0)
        account.none("feeds after it", times(log, "feed", at_s + 0.25), at_s)
        wheels_down(account, log, at_s)
        account.true("exit status", code == 0, code)
        return account.seen()


def daemon_hung_up() -> Seen:
    """Close the terminal under the daemon in mid-drill; the shell hangs up once more."""
    with Bench(on_terminal=["daemon"]) as bench:
        bench.feeding()
        at_s = bench.hang_up("daemon")
        time.sleep(0.05)
        bench.signal("daemon", signal.SIGHUP)
        code = bench.processes["daemon"].wait(30.0)
        account = Account(bench)
        log = bench.log()
        account.within("stop read", at_s, first(times(log, "stop", at_s)), 250.0)
        account.none("feeds after it", times(log, "feed", at_s + 0.25), at_s)
        alone = times(log, "watchdog", at_s)
        account.true_if_awake("the driver did not have to trip", not alone, len(alone), at_s, STOP_MS)
        wheels_down(account, log, at_s)
        account.true("exit status", code == 0, code)
        return account.seen()


def driver_hung_up() -> Seen:
    """Close the terminal under the driver in mid-drill."""
    with Bench(on_terminal=["driver"]) as bench:
        client = bench.feeding()
        at_s = bench.hang_up("driver")
        code = bench.processes["driver"].wait(30.0)
        bench.wait(lambda: client.snapshot().state == "FAULT", 20.0, "in FAULT")
        account = Account(bench)
        log = bench.log()
        account.within("power taken", at_s, first(times(log, "end", at_s)), 250.0)
        account.none("feeds after it", times(log, "feed", at_s + 0.25), at_s)
        account.true("exit status", code == 0, code)
        account.true("the daemon", client.snapshot().state == "FAULT", client.snapshot().reason)
        return account.seen()


def wheels_down(account: Account, log: Sequence[LogEvent], at_s: float) -> None:
    """Check that the last sample before rest has both outputs nearly at zero: samples come each 20 ms until then."""
    wheels = [event for event in log if event["event"] == "wheels" and event["t"] > at_s]
    last_rpm = max(wheels[-1]["top_out_rpm"], wheels[-1]["bottom_out_rpm"]) if wheels else None
    account.true("wheels brought down", last_rpm is not None and last_rpm < LAST_SAMPLE_RPM, last_rpm)


def _slept(*sleepers: str) -> Seen:
    """Let the computers of processes have slept for 30 s in mid-drill."""
    with Bench(sleepers=sleepers) as bench:
        client = bench.feeding()
        at_s = bench.sleep(SLEEP_S)
        time.sleep(AFTERWARDS_S)
        account = Account(bench)
        log = bench.log()
        act, what = ("slept", "tripped") if "driver" in sleepers else ("stop", "stop read")
        acted_s = first(times(log, act, at_s))
        account.within(what, at_s, acted_s, 100.0)
        account.none("feeds after it", times(log, "feed", acted_s or at_s), at_s)
        account.none("armed again", times(log, "mode", at_s, mode="armed"), at_s)
        if "driver" in sleepers:
            reasons = [str(event["reason"]) for event in log if event["event"] == "mode" and event["t"] > at_s]
            tripped = bool(reasons) and reasons[0].startswith("machine-slept")
            account.true("the driver named it", tripped, reasons[:1])
        wheels_down(account, log, at_s)
        now = client.snapshot()
        named = now.state == "FAULT" and (now.reason or "").startswith("machine-slept")
        account.true("FAULT of its name", named, now.reason)
        return account.seen()


def dozed() -> Seen:
    """The one computer of both slept for less than half a second: the drill goes on."""
    with Bench(sleepers=("daemon", "driver")) as bench:
        client = bench.feeding()
        at_s = bench.sleep(DOZE_S)
        bench.until_fed(len(times(bench.log(), "feed")) + 2)
        account = Account(bench)
        account.none("told as sleep", times(bench.log(), "slept", at_s), at_s)
        state = client.snapshot().state
        account.true_if_awake("drill goes on", state == "FEEDING", state, at_s, FEED_MS)
        return account.seen()


def driver_slept() -> Seen:
    """The driver's computer slept, the daemon's did not."""
    return _slept("driver")


def daemon_slept() -> Seen:
    """The daemon's computer slept, the driver's did not."""
    return _slept("daemon")


def both_slept() -> Seen:
    """The one computer of both slept."""
    return _slept("daemon", "driver")


def daemon_told_twice() -> Seen:
    """SIGTERM twice in mid-drill."""
    with Bench() as bench:
        bench.feeding()
        at_s = bench.signal("daemon", signal.SIGTERM)
        time.sleep(0.3)
        again_s = bench.signal("daemon", signal.SIGTERM)
        code = bench.processes["daemon"].wait(10.0)
        left_s = time.monotonic()
        time.sleep(2.0)
        account = Account(bench)
        account.within("left", again_s, left_s, 1000.0)
        account.within("stop read", at_s, first(times(bench.log(), "stop", at_s)), 250.0)
        account.none("feeds after it", times(bench.log(), "feed", at_s + 0.25), at_s)
        account.true("exit status says so", code != 0, code)
        return account.seen()


def second_daemon() -> Seen:
    """Start a second daemon beside a running one."""
    with Bench() as bench:
        client = bench.feeding()
        at_s = time.monotonic()
        second = bench.run("second", "drillfeed.daemon.cli", "serve", "--listen", "127.0.0.1:0", "--link",
                           "tcp://127.0.0.1:*", "--observe", "tcp://127.0.0.1:*")  # fmt: skip
        code = second.wait(20.0)
        time.sleep(2.0)
        account = Account(bench)
        account.true("second left", code == 1, f"{code}: {bench.words('second').strip().splitlines()[-1:]}")
        account.true(
            "drill undisturbed", len(times(bench.log(), "feed", at_s)) >= 2 and client.snapshot().state == "FEEDING"
        )
        return account.seen()


SCENARIOS = (
    Scenario(
        "daemon-killed",
        "SIGKILL of the daemon in mid-drill",
        "no feed after 250 ms; wheels ramp at 500 ms by the driver alone",
        daemon_killed,
        ci=True,
    ),
    Scenario(
        "daemon-restarted",
        "SIGKILL of the daemon, another started at once",
        "comes up at rest, first sends stop; nothing arms",
        daemon_restarted,
    ),
    Scenario(
        "daemon-frozen",
        "daemon frozen 3 s, then continued",
        "as killed; then no burst, FAULT, at rest",
        daemon_frozen,
        ci=True,
    ),
    Scenario(
        "driver-frozen",
        "driver frozen 3 s, then continued",
        "trips before it reads; no old setpoint or feed acts",
        driver_frozen,
        ci=True,
    ),
    Scenario(
        "driver-restarted",
        "SIGKILL of the driver in mid-drill, started anew",
        "FAULT; the new driver is not armed",
        driver_killed,
    ),
    Scenario(
        "sigterm",
        "SIGTERM to the daemon in mid-drill",
        "stop first; leaves when wheels stand; exit 0",
        daemon_told_to_end,
        ci=True,
    ),
    Scenario(
        "daemon-hang-up",
        "the terminal under the daemon is closed in mid-drill, twice signalled",
        "stop first; leaves when wheels stand; exit 0",
        daemon_hung_up,
        ci=True,
    ),
    Scenario(
        "driver-hang-up",
        "the terminal under the driver is closed in mid-drill",
        "power taken in order; exit 0; FAULT",
        driver_hung_up,
    ),
    Scenario(
        "computer-slept",
        "the computer of both slept 30 s in mid-drill (shim: CLOCK_BOOTTIME alone goes on)",
        "driver trips, nothing fed after waking; FAULT machine-slept",
        both_slept,
        ci=True,
    ),
    Scenario(
        "daemon-slept",
        "the daemon's computer slept 30 s in mid-drill",
        "stop at once, nothing fed after it; FAULT machine-slept",
        daemon_slept,
    ),
    Scenario(
        "driver-slept",
        "the driver's computer slept 30 s in mid-drill",
        "driver trips, nothing fed after waking; FAULT machine-slept",
        driver_slept,
    ),
    Scenario("sigterm-twice", "SIGTERM to the daemon twice", "leaves at once", daemon_told_twice),
    Scenario(
        "second-daemon",
        "a second daemon started beside the first",
        "refuses to start; the drill goes on",
        second_daemon,
    ),
)
