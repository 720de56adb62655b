"""How many balls a machine has thrown since it was calibrated, by the journal.

Rule of this file: if the journal is missing, damaged or somebody else's, the age stays blank and the daemon goes on.
"""

import contextlib
import datetime
import sqlite3
from pathlib import Path

from drillfeed.daemon.calibration import Calibration
from drillfeed.daemon.journal.reading import balls_since
from drillfeed.daemon.journal.schema import NotOurs, open_to_read
from drillfeed.daemon.machine import Machine


def with_age(machine: Machine, journal: Path) -> Machine:
    """Return the machine with the number of balls since its calibration, if it has one and the journal can tell."""
    learnt = machine.calibration
    if learnt is None:
        return machine
    try:
        return machine.model_copy(update={"calibration": _aged(learnt, machine.name, journal)})
    except (OSError, NotOurs, sqlite3.DatabaseError):
        return machine


def _aged(learnt: Calibration, machine: str, journal: Path) -> Calibration:
    made = datetime.datetime.combine(datetime.date.fromisoformat(learnt.made_on), datetime.time())
    with contextlib.closing(open_to_read(journal)) as connection:
        return learnt.model_copy(update={"balls_since": balls_since(connection, machine, made.timestamp())})
