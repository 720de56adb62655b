"""Trims from day to day: a file of the machine's in the state folder, over the one that lies beside the profile.

For a ball type that is in both, the one in the state folder wins: it was typed at this table, later, and a profile may
be shared or read-only. The first `trim` typed copies the trims beside the profile along; from then on those ball types
follow what is typed, and `drillfeed calibrate --trim` reaches the daemon only for others. To go back to the profile's,
end the daemon and throw the file in the state folder away.

Rule of this file: apart from calibration, so that either can be thrown away without the other; written whole or not at
all.
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
    """Return the machine with the trims that were kept, where there are any; raise InvalidFile."""
    path = trims_file(folder, machine.name)
    try:
        kept = validate(Trims, read_toml(path, own=True), str(path))
    except NoFile:
        return machine
    trims = machine.trims
    for one in kept.trim:
        trims = trims.with_trim(one)
    return machine.model_copy(update={"trims": trims})


def keep_trims(folder: Path, machine: str, trims: Trims) -> None:
    """Write the trims of a machine; raise OSError."""
    write_whole(trims_file(folder, machine), trims.as_toml())
