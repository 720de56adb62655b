"""Files that clients name, and files that lie there at the start, made to hang, flood or mislead the daemon."""

import signal
import time

from drillfeed.clients.lines import Client
from drillfeed.protocol.lines import Reply
from tests.faults.bench import Bench
from tests.faults.processes import first, wheels_down
from tests.faults.stops import check_stop
from tests.faults.verdict import Account, Scenario, Seen
from tests.support.driver_log import times
from tests.support.hostile import NOT_REGULAR, TOO_MUCH

ANSWERED_MS, LATE_MS, STOP_MS = 2000.0, 100.0, 250.0
GIVEN_UP_S, PLANNING_S, GOES_ON_S = 40.0, 1.0, 5.0
HEAVY_HEAD = 'name = "heavy"\ntitle = "more to work out than anybody waits for"\nlevel = "club"\ntempo_per_min = 20\n'
HEAVY_BALLS = 10
READ_S, BAD = 20.0, 2
AT_START = {
    "paired.json": "a-pipe",
    "club-build.trim.toml": "brackets",
    "cautions-accepted": "zeros-without-end",
    "journal.sqlite": "a-pipe",
    "club-build.lock": "a-pipe",
    "paired.new": "a-pipe",
}
NAMED = ("paired.json", "club-build.trim.toml", "cautions-accepted", "journal.sqlite")


def heavy_drill() -> str:
    """Return a drill as a drill may be written: 100 sets, each with small variations of its own to be aimed."""
    balls = '"light-topspin", "heavy-push", "light-push", "rally-topspin"'
    sets = [
        f"[[set]]\nballs = {HEAVY_BALLS}\nvary = {{ speed_mps = {0.1 + n / 1000}, depth_cm = {5 + n / 10} }}\n"
        f'sequence = {{ kind = "fixed", balls = [{balls}] }}\n'
        for n in range(100)
    ]
    return f"{HEAVY_HEAD}max_balls = {100 * HEAVY_BALLS}\n{''.join(sets)}"


def named_files() -> Seen:
    """Queue one file after another in mid-drill; each is refused, and drill and ticks go on."""
    with Bench() as bench:
        client = bench.feeding()
        began_s, late_before_ms = time.monotonic(), client.snapshot().worst_late_ms or 0.0
        account, slowest_s, taken = Account(bench), 0.0, []
        kinds = {**NOT_REGULAR, **TOO_MUCH}
        for kind, make in kinds.items():
            path = bench.folder / f"{kind}.toml"
            make(path)
            asked_s = time.monotonic()
            reply = client.queue(str(path))
            slowest_s = max(slowest_s, time.monotonic() - asked_s)
            if reply.code is None or reply.code.name != "bad-file":
                taken.append(f"{kind}: {reply.text}")
        account.true(f"{len(kinds)} files refused", not taken, taken or None)
        slowest = f"{slowest_s * 1000:.0f} ms"
        account.true_if_awake("slowest answer", slowest_s * 1000 < ANSWERED_MS, slowest, began_s, ANSWERED_MS)
        _check_ticks(account, client, began_s, late_before_ms)
        answered_s = time.monotonic()
        bench.wait(lambda: bool(times(bench.log(), "feed", answered_s)), GOES_ON_S, "a ball after the last answer")
        account.true("drill goes on", client.snapshot().state == "FEEDING", client.snapshot().state)
        sent_s = time.monotonic()
        client.stop()
        time.sleep(1.0)
        check_stop(account, sent_s, STOP_MS)
        return account.seen()


def heavy_plan() -> Seen:
    """Queue a drill that takes minutes to work out: it is given up, another is queued, and the drill goes on."""
    with Bench() as bench:
        client = bench.feeding()
        (bench.drills / "heavy.toml").write_text(heavy_drill())
        began_s, late_before_ms = time.monotonic(), client.snapshot().worst_late_ms or 0.0
        client.send_line("queue heavy")
        time.sleep(PLANNING_S)
        account = Account(bench)
        account.true("asked meanwhile", bench.client().snapshot().state == "FEEDING")
        replies: list[Reply] = []
        bench.wait(lambda: bool(replies.extend(client.take_replies()) or replies), GIVEN_UP_S, "answered")
        (reply,) = replies
        took_s = time.monotonic() - began_s
        account.true(
            "given up", reply.code is not None and reply.code.name == "bounds", f"{took_s:.0f} s, {reply.text}"
        )
        _check_ticks(account, client, began_s, late_before_ms)
        reply = client.queue("bench", balls=4)
        account.true("another queued", reply.ok, reply.text)
        fed = len(times(bench.log(), "feed", began_s))
        account.true("drill goes on", client.snapshot().state == "FEEDING" and fed >= took_s - 2, f"{fed} balls")
        return account.seen()


def _check_ticks(account: Account, client: Client, began_s: float, before_ms: float) -> None:
    """Check that no tick since `began_s` came late: the daemon tells the latest of all, those before included."""
    late_ms = client.snapshot().worst_late_ms or 0.0
    told = f"{late_ms:.0f} ms" if late_ms > before_ms else f"none over {before_ms:.0f} ms, as before it"
    account.true_if_awake("worst tick late", late_ms < LATE_MS or late_ms == before_ms, told, began_s, LATE_MS)


def ended_while_planning() -> Seen:
    """SIGTERM in mid-drill, while a plan is worked out that takes minutes."""
    with Bench() as bench:
        client = bench.feeding()
        (bench.drills / "heavy.toml").write_text(heavy_drill())
        client.send_line("queue heavy")
        time.sleep(PLANNING_S)
        early = client.take_replies()
        at_s = bench.signal("daemon", signal.SIGTERM)
        code = bench.processes["daemon"].wait(30.0)
        left_s = time.monotonic()
        account = Account(bench)
        account.true("being worked out", not early, [reply.text for reply in early] or None)
        log = bench.log()
        account.within("stop read", at_s, first(times(log, "stop", at_s)), STOP_MS)
        rest = [event for event in log if event["event"] == "wheels" and event["t"] > at_s]
        wheels_down(account, log, at_s)
        account.within("left after the wheels stood", rest[-1]["t"] if rest else at_s, left_s, 3000.0)
        account.true("exit status", code == 0, code)
        return account.seen()


def files_at_start() -> Seen:
    """Spoil every file of the state folder, and start the daemon anew on it; then start it on files of the user's."""
    with Bench() as bench:
        bench.ready()
        bench.processes["daemon"].terminate()
        bench.processes["daemon"].wait(20.0)
        folder = bench.folder / "drillfeed"
        folder.chmod(0o755)
        for name, kind in AT_START.items():
            (folder / name).unlink(missing_ok=True)
            {**NOT_REGULAR, **TOO_MUCH}[kind](folder / name)
        bench.start_daemon()
        client = bench.feeding(fed=1, balls=4)
        bench.wait(lambda: client.snapshot().state == "ARMED", 40.0, "over")
        account, told = Account(bench), "; ".join(client.snapshot().warnings)
        account.true("drill ran", len(times(bench.log(), "feed")) == 4)
        unnamed = [name for name in NAMED if name not in told]
        account.true("each named in the status", not unnamed, told if unnamed else None)
        left = [name for name in NAMED if not list(folder.glob(f"{name}.*-20*"))]
        account.true("each set aside", not left, left or None)
        account.true("state folder 0700", folder.stat().st_mode & 0o777 == 0o700)
        for kind, make in {**NOT_REGULAR, **TOO_MUCH}.items():
            path = bench.folder / f"{kind}.toml"
            make(path)
            option = "--config" if kind in NOT_REGULAR else "--machine"
            code = bench.run(kind, "drillfeed.daemon.cli", "serve", option, str(path)).wait(READ_S)
            said = bench.words(kind)
            if code != BAD or path.name not in said or "Traceback" in said:
                account.true(f"refuses {kind}", False, f"exit {code}: {said[-200:]}")
        account.true("no traceback", "Traceback" not in bench.words("daemon"))
        return account.seen()


SCENARIOS = (
    Scenario(
        "named-files",
        "pipes, devices, 3 MB seeds, 400 kB keys, 100,000 brackets queued by name in mid-drill, and a stop",
        "each refused within 2 s; no tick over 100 ms late; the drill goes on; the stop gets through",
        named_files,
    ),
    Scenario(
        "heavy-plan",
        "a drill queued in mid-drill that takes minutes to work out",
        "given up after 20 s; no tick over 100 ms late; the next is planned; the drill goes on",
        heavy_plan,
    ),
    Scenario(
        "files-at-start",
        "pipes, devices and brackets in the place of each file of the state folder, then of config and profile",
        "comes up and names what was set aside, the drill runs, folder 0700; or exit 2 with the file's name",
        files_at_start,
    ),
    Scenario(
        "sigterm-while-planning",
        "SIGTERM in mid-drill while such a drill is worked out",
        "stop first; leaves when wheels stand, and waits for no plan; exit 0",
        ended_while_planning,
    ),
)
