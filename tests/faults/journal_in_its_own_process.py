"""A process that throws in numbers: notes a ball every other millisecond and prints each that was committed.

python journal_in_its_own_process.py JOURNAL RUN
"""

import sys
import time
from pathlib import Path

from drillfeed.daemon.engine.events import BallSettled
from drillfeed.daemon.journal.entries import Entry, EventEntry
from drillfeed.daemon.journal.writer import Journal
from tests.journal.entries_of_a_practice import a_ball


def main() -> None:
    """Throw until killed."""
    path, run = Path(sys.argv[1]), sys.argv[2]

    def told(entries: tuple[Entry, ...]) -> None:
        events = [entry.event for entry in entries if isinstance(entry, EventEntry)]
        ids = [str(event.id) for event in events if isinstance(event, BallSettled)]
        sys.stdout.write("".join(f"{number}\n" for number in ids))
        sys.stdout.flush()

    journal = Journal(path, "club-build", run, on_commit=told)
    journal.start()
    n = 0
    while True:
        n += 1
        journal.note(a_ball(time.monotonic(), n, id=n))
        time.sleep(0.002)


main()
