"""Parts of the thrower that fail: wheels, speed sensors, tilt, exit sensor, feeder, supply, and an empty hopper."""

import time

from drillfeed.clients.drivers.rules import band_rpm
from drillfeed.daemon.library.loading import load_machine
from tests.faults.bench import Bench
from tests.faults.links import counts_agree
from tests.faults.verdict import Account, Scenario, Seen
from tests.support.driver_log import times, truly_out_of_band

# The bench starts a drill some 4 s after the driver; the first ball goes 5 s later.
FROM_S = 12.0
WATCHED_S = 9.0


def _bent(fault: str, machine: str = "club-build", watched_s: float = WATCHED_S) -> tuple[Bench, Account, float]:
    bench = Bench(machine, faults=(f"{fault}@{FROM_S:g}",))
    return bench, Account(bench), watched_s


def _state_after(fault: str, states: tuple[str, ...], words: tuple[str, ...] = (), machine: str = "club-build") -> Seen:
    """Run a drill into a fault and tell what state it ends in; one of `words` must be in the reason."""
    bench, account, watched_s = _bent(fault, machine)
    with bench:
        client = bench.feeding(fed=1, balls=100)
        client.balls(100)
        boot_s = bench.log()[0]["t"]
        end_s = boot_s + FROM_S + watched_s
        while time.monotonic() < end_s and client.snapshot().state in ("FEEDING", "SPINUP"):
            time.sleep(0.05)
        time.sleep(2.0)
        now = client.snapshot()
        account.true("state", now.state in states, f"{now.state}: {now.reason}")
        if words:
            said = [word for word in words if word in (now.reason or "")]
            account.true(f"says {' or '.join(map(repr, words))}", bool(said), said or now.reason)
        if now.state in ("FAULT", "QUICKSTOP"):
            account.true("hint and next step told", bool(now.hint and now.next_step), f"{now.hint}; {now.next_step}")
        wild = truly_out_of_band(
            bench.log(), lambda rpm: band_rpm(rpm, load_machine(bench.machine).top.diameter_mm / 1000)
        )
        account.none("balls pushed out of band in truth", [event["t"] for event in wild], boot_s)
        stood_s = max(times(bench.log(), "feed_closed", boot_s + FROM_S), default=0.0)
        account.none("feeds after the feed closed", times(bench.log(), "feed", stood_s) if stood_s else [])
        return account.seen()


def supply_low() -> Seen:
    """The supply falls: the running set finishes; the next start is refused."""
    with Bench(faults=(f"supply=wrong:0.7@{FROM_S:g}",)) as bench:
        client = bench.feeding(fed=1, balls=8)
        bench.wait(lambda: client.snapshot().state in ("ARMED", "FAULT"), 30.0, "over")
        account = Account(bench)
        account.true("the set finished", len(times(bench.log(), "feed")) == 8, len(times(bench.log(), "feed")))
        reply = client.start(client.snapshot().stop_count)
        refused = not reply.ok and reply.code is not None and reply.code.name == "supply"
        account.true("next start refused", refused, reply.text)
        return account.seen()


def hopper_empty() -> Seen:
    """Three balls in the hopper by the count; the drill has a hundred."""
    with Bench() as bench:
        client = bench.armed(100)
        client.balls(3)
        client.start(client.snapshot().stop_count)
        bench.wait(lambda: client.snapshot().state == "PAUSED", 30.0, "paused")
        time.sleep(2.0)
        account = Account(bench)
        account.true("balls fed", len(times(bench.log(), "feed")) == 3, len(times(bench.log(), "feed")))
        account.true("says so", "hopper" in (client.snapshot().reason or ""), client.snapshot().reason)
        return account.seen()


def speed_unreadable_at_start() -> Seen:
    """A machine with feedback whose top speed cannot be read from the start."""
    with Bench(faults=("top=off",)) as bench:
        client = bench.client()
        time.sleep(6.0)
        reply = client.arm()
        account = Account(bench)
        account.true("arming refused", not reply.ok, reply.text)
        account.none("armed", times(bench.log(), "mode", mode="armed"))
        return account.seen()


def cpu_oversubscribed() -> Seen:
    """Six busy processes beside everything: each miss is counted, or the run has ended and says why."""
    with Bench() as bench:
        client = bench.feeding(balls=500)
        client.balls(1000)
        before = client.snapshot().counts
        at_s = time.monotonic()
        for n in range(6):
            bench.run(f"busy-{n}", "tests.faults.busy")
        time.sleep(15.0)
        now = client.snapshot()
        account = Account(bench)
        counted = sum(getattr(now.counts, kind) - getattr(before, kind) for kind in SETTLED)
        fed = len(times(bench.log(), "feed", at_s))
        slots = f"{fed} fed, {counted} slots counted; worst tick {now.worst_late_ms} ms late"
        if now.state == "FEEDING":
            account.true("each slot of 15 s counted", counted >= 15 - 2, slots)
        else:
            account.true("stopped, and says why", now.state in ("PAUSED", *STOPPED) and bool(now.reason), now.reason)
            account.words.append(slots)
        counts_agree(account, client)
        return account.seen()


def _row(
    name: str, fault: str, expected: str, states: tuple[str, ...], words: str | tuple[str, ...] = (), ci: bool = False
) -> Scenario:
    words = (words,) if isinstance(words, str) else words
    return Scenario(name, f"{fault} from {FROM_S:g} s", expected, lambda: _state_after(fault, states, words), ci)


SETTLED = ("commanded", "refused", "skipped", "unknown")
STOPPED = ("FAULT", "QUICKSTOP")
PAUSED, GOES_ON = ("PAUSED",), ("FEEDING",)
SCENARIOS = (
    _row("speed-sensor-off", "top=off", "FAULT: speed not readable", STOPPED, "top: speed not readable"),
    _row("speed-sensor-stuck", "top=stuck", "FAULT: the wheel is not as it is driven", STOPPED, "top wheel"),
    # The driver names a reading that is no number, the daemon one that no wheel can have: which comes first is chance.
    _row(
        "speed-sensor-garbage",
        "top=garbage",
        "FAULT: speed not readable",
        STOPPED,
        ("top: speed not readable", "no measured speed of the top wheel"),
    ),
    _row(
        "speed-sensor-gone-at-times",
        "bottom=intermittent:0.3",
        "FAULT: speed not readable",
        STOPPED,
        "bottom: speed not readable",
    ),
    _row("speed-sensor-late", "top=delayed:0.3", "goes on; no ball out of band in truth", GOES_ON),
    _row("speed-sensor-wrong", "top=wrong:1.05", "PAUSED: out of band by what is shown", PAUSED, "top wheel at"),
    _row("wheel-dead", "bottom-drive=off", "FAULT: slower than it is driven", STOPPED, "slower than it is driven"),
    _row("wheel-stuck", "bottom-drive=stuck", "FAULT: the wheel is not as it is driven", STOPPED, "bottom wheel"),
    _row("wheel-slow", "top-drive=slow:2", "FAULT: the wheel is not as it is driven", STOPPED, "top wheel"),
    _row(
        "wheel-runaway", "top-drive=wrong:1.5", "FAULT: faster than it is driven", STOPPED, "faster than it is driven"
    ),
    _row("tilt-stuck", "tilt-drive=stuck", "FAULT: the tilt is not as it is driven", STOPPED, "tilt at"),
    _row("tilt-off-by-a-tenth", "tilt-drive=wrong:1.1", "PAUSED: the tilt is out of place", PAUSED, "tilt at"),
    _row("tilt-sensor-stuck", "tilt=stuck", "FAULT: the tilt is not as it is driven", STOPPED, "tilt at"),
    _row("exit-sensor-stuck", "exits=stuck", "PAUSED: pushes with no ball seen leaving", PAUSED, "seen leaving"),
    _row("exit-sensor-double", "exits=wrong:2", "goes on; the sensor is not trusted any more", GOES_ON),
    _row("feeder-jammed", "feeder=stuck", "PAUSED: pushes with no ball seen leaving", PAUSED, "seen leaving"),
    _row("feeder-doubles", "feeder=wrong", "PAUSED: two balls a push", PAUSED, "two balls"),
    _row("feeder-late", "feeder=delayed:0.3", "PAUSED: no ball seen when it should leave", PAUSED, "seen leaving"),
    Scenario(
        "speed-unreadable-at-start",
        "top=off from power-up",
        "refuses to arm, with the reason",
        speed_unreadable_at_start,
    ),
    Scenario("supply-low", "supply at 70 % in mid-set", "the set finishes; the next start is refused", supply_low),
    Scenario("hopper-empty", "three balls by the count", "PAUSED after three", hopper_empty, ci=True),
    Scenario(
        "cpu-oversubscribed",
        "six busy processes for 15 s",
        "nothing late, doubled or stepped; each miss counted",
        cpu_oversubscribed,
    ),
)
