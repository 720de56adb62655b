"""Mistakes inside the daemon, disks that fail, and files that are damaged before it starts."""

import os
import time
from pathlib import Path

from drillfeed.daemon.calibration import beside
from drillfeed.daemon.library.loading import find
from tests.faults.bench import Bench
from tests.faults.stops import check_stop
from tests.faults.verdict import Account, Scenario, Seen
from tests.support.driver_log import times

BAD = 2


def _mistake(kind: str, goes_on: bool) -> Seen:
    """Let a loop of the daemon raise for two seconds in mid-drill; a stop must still get through."""
    with Bench(daemon=("tests.faults.odd_daemon", kind)) as bench:
        client = bench.feeding(fed=1, balls=60)
        time.sleep(1.6)
        at_s = time.monotonic()
        if not goes_on:
            client.stop_now()
        time.sleep(4.0)
        now = client.snapshot()
        account = Account(bench)
        if goes_on:
            fed = len(times(bench.log(), "feed", at_s))
            account.true("drill goes on", now.state == "FEEDING" and fed >= 2, f"{now.state}, {fed} balls")
        else:
            account.true(
                "at rest", now.state in ("FAULT", "IDLE", "QUICKSTOP", "STOPPING"), f"{now.state}: {now.reason}"
            )
            account.none("feeds after 250 ms", times(bench.log(), "feed", at_s + 0.255), at_s)
        account.true("daemon alive", bench.processes["daemon"].poll() is None)
        return account.seen()


def mistake_at_the_desk() -> Seen:
    """Each command raises for two seconds in mid-drill; the drill goes on, and a stop gets through."""
    with Bench(daemon=("tests.faults.odd_daemon", "desk")) as bench:
        client = bench.feeding(fed=1, balls=60)
        time.sleep(1.6)
        reply = client.ask_line("faster")
        account = Account(bench)
        account.true("command answered", reply.code is not None and reply.code.name == "internal", reply.text)
        state = client.snapshot().state
        account.true("drill goes on", state == "FEEDING", state)
        sent_s = time.monotonic()
        client.stop_now()
        time.sleep(4.0)
        check_stop(account, sent_s)
        account.true("daemon alive", bench.processes["daemon"].poll() is None)
        return account.seen()


def journal_unwritable() -> Seen:
    """The place of the journal is taken by a folder, so that nothing can be written."""
    with Bench() as bench:
        bench.ready()
        bench.processes["daemon"].terminate()
        bench.processes["daemon"].wait(20.0)
        for path in sorted((bench.folder / "drillfeed").glob("journal*")):
            path.unlink()
        (bench.folder / "drillfeed" / "journal.sqlite").mkdir()
        bench.start_daemon()
        client = bench.feeding(fed=1, balls=6)
        warnings = "; ".join(client.snapshot().warnings)
        bench.wait(lambda: client.snapshot().state == "ARMED", 40.0, "over")
        account = Account(bench)
        account.true("balls fed", len(times(bench.log(), "feed")) == 6, len(times(bench.log(), "feed")))
        account.true("says what is not recorded", "not recorded" in warnings, warnings)
        return account.seen()


def damaged_files() -> Seen:
    """A configuration with an unknown key, a half-written profile, a half-written calibration."""
    with Bench() as bench:
        account = Account(bench)
        config, profile = bench.folder / "config.toml", bench.folder / "half.toml"
        config.write_text('machine = "club-build"\nspeed = "fast"\n')
        profile.write_text('name = "half"\ntitle = "half of a profile"\n[wheels]\ndiameter_mm = 6')
        whole = bench.folder / "whole.toml"
        whole.write_text(find("machines", "club-build").read_text())
        calibration = beside(whole, "calibration")
        calibration.write_text('machine = "club-build"\n[values]\ntop_slope = 1.0')
        for name, words, expected in (
            ("unknown-key", ("--config", str(config)), "speed"),
            ("half-profile", ("--machine", str(profile)), "half.toml"),
            ("half-calibration", ("--machine", str(whole)), calibration.name),
        ):
            code = bench.run(name, "drillfeed.daemon.cli", "serve", *words).wait(20.0)
            account.true(name, code == BAD and expected in bench.words(name), f"exit {code}")
        return account.seen()


def damaged_journal() -> Seen:
    """The journal is random bytes when the daemon starts."""
    with Bench() as bench:
        client = bench.ready()
        bench.processes["daemon"].terminate()
        bench.processes["daemon"].wait(20.0)
        found = sorted((bench.folder / "drillfeed").glob("journal*"))
        for path in found:
            _spoil(path)
        bench.start_daemon()
        client = bench.feeding(fed=1, balls=4)
        bench.wait(lambda: client.snapshot().state == "ARMED", 40.0, "over")
        account = Account(bench)
        account.true("drill ran", len(times(bench.log(), "feed")) == 4)
        aside = [path.name for path in (bench.folder / "drillfeed").iterdir() if "damaged" in path.name]
        account.true("damaged journal set aside", bool(aside), aside[:1])
        return account.seen()


def _spoil(path: Path) -> None:
    path.write_bytes(os.urandom(4096))


SCENARIOS = (
    Scenario(
        "mistake-in-control",
        "an exception in each tick for 2 s, and a stop",
        "FAULT or stopped; no feed",
        lambda: _mistake("advance", False),
    ),
    Scenario(
        "mistake-in-link",
        "an exception on each frame for 2 s, and a stop",
        "FAULT or stopped; no feed",
        lambda: _mistake("receive", False),
    ),
    Scenario(
        "mistake-in-notices",
        "an exception whenever something is told, for 2 s",
        "FAULT or stopped; no feed",
        lambda: _mistake("notices", False),
    ),
    Scenario(
        "mistake-at-the-desk",
        "an exception on each command for 2 s, and a stop",
        "the command is answered `internal`, the drill goes on; the stop gets through",
        mistake_at_the_desk,
    ),
    Scenario(
        "mistake-in-journal",
        "an exception in each turn of the journal for 2 s",
        "the drill goes on",
        lambda: _mistake("journal", True),
    ),
    Scenario(
        "slow-fsync", "each commit of the journal takes 2 s", "the drill goes on", lambda: _mistake("fsync", True)
    ),
    Scenario(
        "journal-unwritable",
        "the journal's place is taken by a folder",
        "the set finishes; says what is not recorded",
        journal_unwritable,
    ),
    Scenario(
        "damaged-files",
        "a config with an unknown key; half a profile; half a calibration",
        "refuses to start, exit 2, names what is wrong",
        damaged_files,
    ),
    Scenario(
        "damaged-journal",
        "journal of random bytes at the start",
        "set aside under a dated name; the drill runs",
        damaged_journal,
    ),
)
