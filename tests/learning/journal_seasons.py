"""A journal with seasons of practice in it, and how long it takes to read: `python -m tests.learning.journal_seasons`.

Players are drawn: types come alone or mixed, some sets are marked, one in five is a check set or a warm-up.
"""

import argparse
import contextlib
import sqlite3
import tempfile
import time
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np

from drillfeed.daemon.journal import reading, report
from drillfeed.daemon.journal.limits import Limits
from drillfeed.daemon.journal.players import add_player
from drillfeed.daemon.journal.practice import read_practice
from drillfeed.daemon.journal.schema import open_to_read, open_to_write
from drillfeed.daemon.journal.season_rows import season_of
from drillfeed.daemon.learning.model import follow
from drillfeed.daemon.learning.trend import trend

SPINS = {
    "no-spin-steady": 0,
    "light-topspin": 18,
    "rally-topspin": 40,
    "light-push": -20,
    "heavy-push": -32,
    "flat-block": 8,
}
BEGAN = datetime(2026, 1, 5, 18, 0)
CHECK = ("light-push", "rally-topspin", "flat-block", "heavy-push") * 5


def write_season(
    path: Path,
    weeks: int = 10,
    sessions_a_week: int = 2,
    sets: int = 6,
    player: str | None = "left-hander",
    seed: int = 1,
) -> date:
    """Write seasons of practice into a journal; return the last day."""
    rng = np.random.default_rng(seed)
    levels = {ball: rng.normal(0.9, 0.8) for ball in SPINS}
    with contextlib.closing(open_to_write(path)) as connection:
        player_id = add_player(connection, player, "left", "club", BEGAN.timestamp()).id if player else None
        connection.execute("BEGIN")
        at = BEGAN
        for week in range(weeks):
            for turn in range(sessions_a_week):
                at = BEGAN + timedelta(days=7 * week + turn * (7 // sessions_a_week))
                _session(connection, rng, at, sets, levels, player_id)
        connection.execute("COMMIT")
    return at.date()


def _session(
    connection: sqlite3.Connection,
    rng: np.random.Generator,
    at: datetime,
    sets: int,
    levels: dict[str, float],
    player: int | None,
) -> None:
    began = at.timestamp()
    session = connection.execute(
        "INSERT INTO sessions (run, machine, began_at, last_at) VALUES ('run', 'club-build', ?, ?)",
        (began, began + 3000),
    ).lastrowid
    feed = 0
    for number in range(1, sets + 1):
        warm_up, check = number == 1, number == sets
        chosen = (
            ["no-spin-steady"] if warm_up else list(rng.choice(list(SPINS), int(rng.integers(1, 4)), replace=False))
        )
        kind = "random" if len(chosen) > 1 else "fixed"
        balls = list(CHECK) if check else [str(rng.choice(chosen)) for _ in range(20)]
        start = began + number * 120
        set_id = connection.execute(
            "INSERT INTO sets (session_id, player_id, drill, seed, number, of_sets, balls, asked_per_min, "
            "tempo_per_min, began_at, simulated, level, title, sequence_kind, rung, warm_up, check_set, rest_s) "
            "VALUES (?, ?, 'evening', 1, ?, ?, 20, 40, ?, ?, 0, 'club', '', ?, 0, ?, ?, ?)",
            (
                session,
                player,
                number,
                sets,
                40.0,
                start,
                "fixed" if check else kind,
                warm_up,
                check,
                40.0 if number > 1 else None,
            ),
        ).lastrowid
        rows = []
        for n, ball in enumerate(balls, 1):
            feed += 1
            rows.append((session, set_id, feed, n, ball, start + 1.5 * n, SPINS[ball]))
        connection.executemany(
            "INSERT INTO throws (session_id, set_id, feed_id, n, ball, at, outcome, commanded, seen, spin_revps) "
            "VALUES (?, ?, ?, ?, ?, ?, 'fed', 1, 1, ?)",
            rows,
        )
        if rng.random() < 0.8:
            form = rng.normal(0, 0.3)
            made = sum(rng.random() < 1 / (1 + np.exp(-levels[ball] - form)) for ball in balls)
            connection.execute(
                "INSERT INTO marks (session_id, set_id, at, made, out_of, marked_by, way) "
                "VALUES (?, ?, ?, ?, 20, 'player', 'count')",
                (session, set_id, start + 60, int(made)),
            )


def min_ms(run: Callable[[], object]) -> float:
    """Return the processor time of the quickest of five runs."""
    times = []
    for _ in range(5):
        began = time.process_time()
        run()
        times.append(time.process_time() - began)
    return 1000 * min(times)


def main() -> None:
    """Print how long a season of 50,000 balls takes to read and to estimate."""
    parser = argparse.ArgumentParser(description="how long a season takes")
    parser.add_argument("--weeks", type=int, default=40)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.sqlite"
        today = write_season(path, args.weeks, 7, 9)
        with contextlib.closing(open_to_read(path)) as connection:
            balls = connection.execute("SELECT count(*) FROM throws").fetchone()[0]
            print(f"{balls} balls in {args.weeks} weeks; processor time, least of five:")
            sets = read_practice(connection, 1)
            season = season_of(sets, today)
            course = follow(season)
            last_week = season.of_week(season.weeks - 1)

            def history() -> list[str]:
                loads = reading.loads(connection, BEGAN)
                shares = reading.shares(connection, reading.all_sets(connection))
                return report.sessions_lines(reading.sessions(connection), loads, Limits(), 80) + report.shares_lines(
                    shares, 80
                )

            for name, run in {
                "rows read": lambda: read_practice(connection, 1),
                "rows to arrays": lambda: season_of(sets, today),
                "estimate and trend": lambda: trend(follow(season)),
                "one more set": lambda: course.with_week(last_week),
                "history": history,
            }.items():
                print(f"  {name:<20}{min_ms(run):8.1f} ms")


if __name__ == "__main__":
    main()
