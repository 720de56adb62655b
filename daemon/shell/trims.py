"""Trims that last: a file for each machine in the state folder, on top of the file beside the profile.

If a ball type is in both files, the trim in the state folder wins: it was typed later, at this table, and a profile may
be shared or read-only. The first `trim` that is typed also copies the trims beside the profile. From then on those ball
types follow what is typed, and `drillfeed calibrate --trim` reaches the daemon only for other ball types. To go back to
the profile's trims, end the daemon and delete the file in the state folder.

Rule of this file: trims are separate from calibration, so that either can be deleted without the other. A file is
written whole or not at all.
"""

from pathlib import Path

from drillfeed.daemon.calibration import Trims
from drillfeed.daemon.files import NoFile, read_toml, write_whole
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.validation import validate


def trims_file(folder: Path, machine: str) -> Path:
    """Return where the trims of a machine are kept."""
    return folder / f"{machine}.trim.toml"


def with_kept_trims(folder: Path, machine: Machine) -> Machine:
    """Return the machine with the trims that were kept, if there are any; raise InvalidFile."""
    path = trims_file(folder, machine.name)
    try:
        kept = validate(Trims, read_toml(path, own=True), str(path))
    except NoFile:
        return machine
    trims = machine.trims
    for trim in kept.trim:
        trims = trims.with_trim(trim)
    return machine.model_copy(update={"trims": trims})


def keep_trims(folder: Path, machine: str, trims: Trims) -> None:
    """Write the trims of a machine; raise OSError."""
    write_whole(trims_file(folder, machine), trims.as_toml())
