"""Opens users' files and files of the state folder, and writes the latter; no other module does.

Rule of this file: only a regular file is opened, without waiting, and at most `MAX_BYTES` of it are read. Nesting and
word length are checked before a parser sees the text, so no parser takes long. Every problem raises a InvalidFile that
names the file, and nothing else is raised. A file of the state folder is written completely or not at all.
"""

import contextlib
import errno
import json
import os
import re
import stat
import tomllib
from collections.abc import Callable, Iterator
from datetime import datetime
from itertools import count
from pathlib import Path
from typing import Any, TextIO, TypeVar

from drillfeed.daemon.validation import FileError, InvalidFile
from drillfeed.protocol.texts.catalogue import text

_Read = TypeVar("_Read")
MAX_BYTES = 256 * 1024
MAX_DEPTH = 32
MAX_WORD = 128
MAX_DOTS = 16
MAX_LINE = 1024 * 1024
PRIVATE_FOLDER, PRIVATE_FILE = 0o700, 0o600
OPENED = os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC
KINDS: tuple[tuple[Callable[[int], bool], str], ...] = (
    (stat.S_ISDIR, "file.is-folder"),
    (stat.S_ISFIFO, "file.is-pipe"),
    (stat.S_ISSOCK, "file.is-socket"),
    (stat.S_ISCHR, "file.is-device"),
    (stat.S_ISBLK, "file.is-device"),
)
_STRINGS = re.compile(
    r'"""(?:\\.|[^\\])*?(?:"""("{0,2})|\\?\Z)'
    r"|'''.*?(?:'''('{0,2})|\Z)"
    r'|"(?:\\.|[^"\\\n])*"?'
    r"|'[^'\n]*'?"
    r"|#[^\n]*",
    re.DOTALL,
)
_BLANK = re.compile(r"[ \t]+")
_LONG_WORD = re.compile(rf"[^\s\[\]{{}}=,]{{{MAX_WORD + 1}}}")
_MANY_DOTS = re.compile(rf"(?:[^\s\[\]{{}}=,.]*\.){{{MAX_DOTS + 1}}}")
_BRACKET = re.compile(r"[\[\]{}]")


class NoFile(InvalidFile):
    """There is no file of that name."""


def path_of(line: str) -> Path:
    """Return the path in a text, with `~` and `~user` expanded; raise InvalidFile if there is no such user."""
    try:
        return Path(line).expanduser()
    except RuntimeError:
        raise InvalidFile([FileError(line, "(file)", text("file.no-user"), text("file.path"))]) from None


def read_text(path: Path, own: bool = False) -> str:
    """Return the text of a file; raise NoFile or InvalidFile. With `own` it must belong to this user."""
    number = _open(path, own)
    try:
        _check_size(os.fstat(number).st_size, path)
        return _all_of(number, path).decode("utf-8")
    except OSError as error:
        raise _unreadable(path, error) from None
    except UnicodeDecodeError as error:
        raise _mistake(path, text("file.not-utf8", byte=error.start), text("file.utf8")) from None
    finally:
        os.close(number)


def read_toml(path: Path, own: bool = False) -> dict[str, Any]:
    """Return the data of a TOML file; raise NoFile or InvalidFile."""
    return toml_of(read_text(path, own), path)


def toml_of(text: str, path: Path) -> dict[str, Any]:
    """Return the data of TOML text that is to be in a file, or came from one; raise InvalidFile."""
    if (found := beyond_bounds(text)) is not None:
        raise _mistake(path, *found)
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise _mistake(path, str(error), "TOML 1.0") from None


def read_json(path: Path, own: bool = False) -> Any:
    """Return the data of a JSON file; raise NoFile or InvalidFile."""
    text = read_text(path, own)
    if (found := beyond_bounds(text)) is not None:
        raise _mistake(path, *found)
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _mistake(path, str(error), "JSON") from None


def open_text(path: Path) -> TextIO:
    """Open a regular file of any length, to be read by `lines_of`; raise NoFile or InvalidFile."""
    return open(_open(path, False), encoding="utf-8", errors="replace")


def lines_of(file: TextIO) -> Iterator[str]:
    """Yield the lines of a file; a line longer than `MAX_LINE` characters comes in pieces."""
    while line := file.readline(MAX_LINE):
        yield line


def beyond_bounds(line: str) -> tuple[str, str] | None:
    """Return what was found and what is allowed if a text is nested too deeply or has too long a word, else None.

    The time of a TOML parser grows with the square of the parts of a dotted key, and a number of more than 4,300 digits
    raises an error that is not the parser's own. Strings and comments are not counted: they cost a parser nothing.
    """
    bare = _BLANK.sub("", _STRINGS.sub(_stand_in, line))
    if (word := _LONG_WORD.search(bare)) is not None:
        shown = text("file.long-word", word=word.group()[:20])
        return shown, text("file.max-word", max_characters=MAX_WORD)
    if _MANY_DOTS.search(bare) is not None:
        return text("file.dots", max_dots=MAX_DOTS), text("file.at-most", max_number=MAX_DOTS)
    depth = 0
    for bracket in _BRACKET.finditer(bare):
        depth = depth + 1 if bracket.group() in "[{" else max(depth - 1, 0)
        if depth > MAX_DEPTH:
            return text("file.nested", max_depth=MAX_DEPTH), text("file.at-most", max_number=MAX_DEPTH)
    return None


def _stand_in(found: re.Match[str]) -> str:
    return "" if found.group().startswith("#") else "s"


def check_usable(path: Path, own: bool = False) -> None:
    """Raise NoFile or InvalidFile if a path is not a regular file, or with `own` belongs to another user.

    Opening a device may have effects, so the kind is checked before opening.
    """
    try:
        _check(path.stat(), path, own)
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from None


def _open(path: Path, own: bool) -> int:
    """Open a usable file and return its number; raise NoFile or InvalidFile."""
    check_usable(path, own)
    try:
        number = os.open(path, OPENED)
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from None
    try:
        _check(os.fstat(number), path, own)
    except BaseException:
        os.close(number)
        raise
    return number


def _check(found: os.stat_result, path: Path, own: bool) -> None:
    kind = next((name for is_kind, name in KINDS if is_kind(found.st_mode)), None)
    if kind is not None or not stat.S_ISREG(found.st_mode):
        raise _mistake(path, text(kind or "file.irregular"), text("file.regular"))
    if own and found.st_uid != os.geteuid():
        raise _mistake(path, text("file.of-user", user=found.st_uid), text("file.own-file", user=os.geteuid()))


def _all_of(number: int, path: Path) -> bytes:
    """Read to the end, or to one byte past the maximum, since a file may grow or report a wrong size."""
    parts, left = [], MAX_BYTES + 1
    while left and (part := os.read(number, left)):
        parts.append(part)
        left -= len(part)
    data = b"".join(parts)
    _check_size(len(data), path)
    return data


def _check_size(size: int, path: Path) -> None:
    if size > MAX_BYTES:
        raise _mistake(path, text("file.too-big", kib=MAX_BYTES // 1024), text("file.max-size", kib=MAX_BYTES // 1024))


def _mistake(path: Path, found: str, allowed: str) -> InvalidFile:
    return InvalidFile([FileError(str(path), "(file)", found, allowed)])


def _unreadable(path: Path, error: OSError | ValueError) -> InvalidFile:
    found = (error.strerror if isinstance(error, OSError) else None) or str(error)
    kind = NoFile if isinstance(error, FileNotFoundError) else InvalidFile
    return kind([FileError(str(path), "(file)", found, text("file.readable"))])


# The state folder.


def own_folder(folder: Path) -> None:
    """Create a folder that only its owner may enter, or make an existing one private; raise OSError.

    A folder that can't be changed, as on a read-only disk, stays as it is.
    """
    folder.mkdir(parents=True, exist_ok=True, mode=PRIVATE_FOLDER)
    with contextlib.suppress(OSError):
        if stat.S_IMODE(folder.stat().st_mode) != PRIVATE_FOLDER:
            folder.chmod(PRIVATE_FOLDER)


def write_whole(path: Path, text: str) -> None:
    """Write a file of the state folder, private and completely or not at all; raise OSError."""
    own_folder(path.parent)
    beside = path.with_suffix(".new")
    # A file there is left from a writer that was killed, or is a trap: a pipe would make us wait.
    beside.unlink(missing_ok=True)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    with os.fdopen(os.open(beside, flags, PRIVATE_FILE), "w", encoding="utf-8") as out:
        out.write(text)
        out.flush()
        os.fsync(out.fileno())
    beside.replace(path)


def set_aside(path: Path, now: datetime, why: str = "unusable") -> Path:
    """Move the file at a path to a dated name beside it, and return that path. Raises OSError.

    A device is not moved, nor a file of another user in another user's folder.
    """
    found, user = path.lstat(), os.geteuid()
    if (
        stat.S_ISCHR(found.st_mode)
        or stat.S_ISBLK(found.st_mode)
        or user not in (found.st_uid, path.parent.stat().st_uid)
    ):
        raise PermissionError(errno.EPERM, text("file.not-ours"), str(path))
    base = f"{path.name}.{why}-{now:%Y-%m-%dT%H%M%S}"
    names = (base if number == 1 else f"{base}-{number}" for number in count(1))
    aside = next(there for name in names if not os.path.lexists(there := path.with_name(name)))
    path.rename(aside)
    return aside


def or_set_aside(read: Callable[[], _Read], path: Path, otherwise: _Read, notes: list[str]) -> _Read:
    """Return what `read` makes of a file of the state folder, or `otherwise` if the file is missing or unusable.

    An unusable file is set aside. `notes` gets a line that says what is wrong with it and where it is now.
    """
    try:
        return read()
    except NoFile:
        return otherwise
    except InvalidFile as error:
        first = error.errors[0]
        told = text(
            "file.not-used", name=path.name, key="" if first.key == "(file)" else f"{first.key}: ", found=first.found
        )
    try:
        notes.append(text("file.lies-at", told=told, place=set_aside(path, datetime.now())))
    except OSError as error:
        notes.append(text("file.not-moved", told=told, why=error.strerror))
    return otherwise
