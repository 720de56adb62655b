"""Files that are not what their name says, and a process of its own in which to read them.

Rule of this file: a table. A row makes one kind of file at a path; `apart` runs a function where it can neither hang
the tests nor eat the machine's memory.
"""

import multiprocessing
import os
import resource
import socket
from collections.abc import Callable, Mapping
from multiprocessing.connection import Connection
from pathlib import Path

MEMORY_BYTES = 1_500_000_000
WITHIN_S = 10.0
Make = Callable[[Path], object]
KB = 1024


def _text(text: str) -> Make:
    return lambda path: path.write_text(text, encoding="utf-8")


def _link(to: str) -> Make:
    return lambda path: path.symlink_to(to)


def _socket(path: Path) -> None:
    here = Path.cwd()
    os.chdir(path.parent)  # a socket's whole path would be too long
    try:
        with socket.socket(socket.AF_UNIX) as sock:
            sock.bind(path.name)
    finally:
        os.chdir(here)


NOT_REGULAR: Mapping[str, Make] = {
    "a-pipe": lambda path: os.mkfifo(path),
    "a-socket": _socket,
    "a-folder": lambda path: path.mkdir(),
    "the-terminals": _link("/dev/ptmx"),
    "zeros-without-end": _link("/dev/zero"),
    "nothing-at-all": _link("/dev/null"),
    "a-link-to-itself": lambda path: path.symlink_to(path.name),
}
"""What lies at a path and is no regular file."""

TOO_MUCH: Mapping[str, Make] = {
    "seed-of-3-MB": _text("seed = 0x" + "f" * 3_000_000),
    "digits-of-200-kB": _text("seed = " + "9" * 200_000),
    "digits-in-hex": _text("seed = 0x" + "f" * 200_000),
    "digits-parted": _text("seed = " + "9_" * 100_000 + "9"),
    "digits-of-a-float": _text("tempo_per_min = 1." + "0" * 200_000),
    "dotted-key-of-400-kB": _text("a." * 200_000 + "a = 1"),
    "dotted-key-of-200-kB": _text("a." * 100_000 + "a = 1"),
    "dotted-key-with-blanks": _text("a . " * 60_000 + "a = 1"),
    "dotted-key-in-quotes": _text('"a".' * 60_000 + "a = 1"),
    "many-dotted-keys": _text("\n".join(f"{'a.' * 60}k{n} = 1" for n in range(1_900))),
    "dotted-table": _text("[" + "a." * 100_000 + "a]"),
    "brackets": _text("x = " + "[" * 100_000),
    "brackets-closed": _text("x = " + "[" * 100_000 + "]" * 100_000),
    "brackets-behind-a-quote": _text('x = ["""a"""", ' + "[" * 100_000),
    "tables-in-tables": _text("x = " + "{a = " * 40_000),
    "bytes": lambda path: path.write_bytes(bytes(range(256)) * 100),
    "words": _text("not a file of ours\n" * 5_000),
    "quotes": _text('"' * 250_000),
    "quotes-and-backslashes": _text('x = """\\' * 28_000),
    "blanks": _text("x = 1" + " " * 250_000 + "."),
    "strange-keys": _text("\n".join(f"k{n} = 1" for n in range(24_000))),
    "a-key-of-200-kB": _text(f'"{"k" * 200_000}" = 1'),
    "a-string-of-200-kB": _text(f'name = "{"n" * 200_000}"'),
}
"""Regular files that a careless reader would be long at, or fall over."""


def _answer(function: Callable[..., object], given: tuple[object, ...], end: Connection) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    try:
        answer = repr(function(*given))
    except BaseException as error:
        answer = f"{type(error).__name__}: {error}"
    end.send(answer)


def apart(function: Callable[..., object], *given: object, within_s: float = WITHIN_S) -> str:
    """Return what a function returns, written down, or the name and text of what it raises.

    `HANGS` where it does neither within the time.
    """
    here, there = multiprocessing.Pipe()
    process = multiprocessing.get_context("fork").Process(target=_answer, args=(function, given, there), daemon=True)
    process.start()
    try:
        return str(here.recv()) if here.poll(within_s) else "HANGS"
    finally:
        process.kill()
        process.join()
        process.close()
        here.close()
        there.close()
