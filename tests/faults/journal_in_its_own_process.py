"""A process that throws in numbers: notes a ball every other millisecond and prints each that was committed.

python journal_in_its_own_process.py JOURNAL RUN
"""

import sys
import time
from pathlib import Path

from drillfeed.daemon.engine.effects import Event
from drillfeed.daemon.journal.entries import Entry, Happened
from drillfeed.daemon.journal.writer import Journal


def main() -> None:
    """Throw until killed."""
    path, run = Path(sys.argv[1]), sys.argv[2]

    def told(entries: tuple[Entry, ...]) -> None:
        ids = [str(one.event.fields["id"]) for one in entries if isinstance(one, Happened)]
        sys.stdout.write("".join(f"{number}\n" for number in ids))
        sys.stdout.flush()

    journal = Journal(path, "club-build", run, on_commit=told)
    journal.start()
    n = 0
    while True:
        n += 1
        fields = {"n": n, "id": n, "ball": "light-push", "set": 1, "outcome": "fed"}
        journal.note(Happened(Event(time.monotonic(), "ball", "", None, fields)))
        time.sleep(0.002)


main()
