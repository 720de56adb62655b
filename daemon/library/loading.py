"""Finds files by name: machines, ball types and drills, shipped with drillfeed or in the user's folder.

Rule of this file: only this module knows where these files are; `files.py` opens them. A NAME is looked up first in the
user's folder, then among the shipped files. Anything with a slash or ending in .toml is a path.
"""

import contextlib
import difflib
from collections.abc import Callable, Mapping
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any, Literal, TypeVar

from drillfeed.daemon.calibration import Calibration, Trims, beside, read_calibration
from drillfeed.daemon.drills.balls import BallType, read_balls
from drillfeed.daemon.drills.drill import Drill, read_drill
from drillfeed.daemon.files import NoFile, path_of, read_toml
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.validation import FileError, InvalidFile, shortened, validate
from drillfeed.protocol.texts.catalogue import text

Kind = Literal["machines", "drills", "balls"]
_Made = TypeVar("_Made")


def shipped(kind: Kind) -> dict[str, Path]:
    """Return the shipped files of one kind by name."""
    folder = Path(str(resources.files("drillfeed.daemon.library"))) / kind
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def known(kind: Kind, folder: Path | None = None) -> dict[str, Path]:
    """Return all files of one kind by name; those in `folder` hide shipped ones of the same name."""
    own = {path.stem: path for path in sorted(folder.glob("*.toml"))} if folder is not None else {}
    return {**shipped(kind), **own}


def is_path(name: str) -> bool:
    """Tell whether a NAME is the path of a file."""
    return "/" in name or name.endswith(".toml")


def find(kind: Kind, name: str, folder: Path | None = None) -> Path:
    """Return the file of a NAME or path; raise InvalidFile with similar names if there is none."""
    if is_path(name):
        return path_of(name)
    names = known(kind, folder)
    if name in names:
        return names[name]
    close = difflib.get_close_matches(name, names, n=3)
    near = (
        text("library.perhaps", names=", ".join(close))
        if close
        else text("library.known", names=", ".join(names) or text("library.none"))
    )
    raise InvalidFile(
        [FileError(name, "(name)", text("library.no-such-name", kind=kind), text("library.name-or-path", near=near))]
    )


def _load(read: Callable[[Mapping[str, Any], str], _Made], path: Path) -> _Made:
    return read(read_toml(path), str(path))


def load_machine(name: str) -> Machine:
    """Return the machine profile of a NAME or path, with the calibration and trims from the files beside it."""
    path = find("machines", name)
    machine = _load(lambda data, file: validate(Machine, data, file), path)
    learnt: dict[str, Any] = {}
    # The files beside the profile are optional, but must be correct if they exist.
    with contextlib.suppress(NoFile):
        learnt["calibration"] = load_calibration(beside(path, "calibration"), machine)
    with contextlib.suppress(NoFile):
        learnt["trims"] = _load(lambda data, name: validate(Trims, data, name), beside(path, "trim"))
    return machine.model_copy(update=learnt) if learnt else machine


def load_calibration(path: Path, machine: Machine) -> Calibration:
    """Return the calibration of a machine from a file."""
    return _load(lambda data, file: read_calibration(data, file, machine.name), path)


def load_drill(name: str, folder: Path | None = None) -> Drill:
    """Return the drill of a NAME or path."""
    path = find("drills", name, folder)
    data = read_toml(path)
    if "set" not in data:
        raise InvalidFile([FileError(str(path), "(file)", text("library.no-set"), text("library.a-drill"))])
    return read_drill(data, str(path))


def load_balls(folder: Path | None = None) -> dict[str, BallType]:
    """Return all ball types: the shipped ones, overridden by `balls/*.toml` in the user's folder."""
    balls: dict[str, BallType] = {}
    own = folder / "balls" if folder is not None else None
    for path in known("balls", own).values():
        balls |= _load(read_balls, path)
    return balls


def find_ball(name: str, folder: Path | None = None) -> BallType:
    """Return the ball type with a name; raise InvalidFile with similar names if there is none."""
    balls = load_balls(folder)
    if name in balls:
        return balls[name]
    close = difflib.get_close_matches(name, balls, n=3) or list(balls)
    raise InvalidFile(
        [FileError(name, "(name)", text("library.no-ball-type"), text("library.ball-types", names=", ".join(close)))]
    )


READERS: dict[str, Callable[[Path], object]] = {
    "ball": partial(_load, read_balls),
    "set": partial(_load, read_drill),
    "top": partial(_load, lambda data, file: validate(Machine, data, file)),
    "wheels": partial(_load, lambda data, file: validate(Machine, data, file)),
}


def read_any(path: Path) -> object:
    """Return the contents of a file: balls, a drill or a machine profile, recognised by its tables."""
    data = read_toml(path)
    for table, read in READERS.items():
        if table in data:
            return read(path)
    tables = text("library.kinds")
    raise InvalidFile(
        [
            FileError(
                str(path),
                "(file)",
                shortened(text("library.keys", keys=", ".join(data) or text("library.none"))),
                tables,
            )
        ]
    )
