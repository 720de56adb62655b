"""How a program of ours is asked to end: SIGTERM, Ctrl-C, and the hang-up of the terminal that it was started in.

Rules of this file: a hang-up means what SIGTERM means, unless it was ignored at the start, as `nohup` does. One hang-up
never cuts short the end that another began: shell and kernel both send one. Nothing is written to a terminal that has
gone, because the error would end the program before the wheels are down.
"""

import contextlib
import os
import select
import signal
import stat
import sys
import threading
from collections.abc import Callable, Iterator
from types import FrameType

TERMINAL_FILES = (0, 1, 2)
LAST_TRIES = 3
LOOK_S = 0.2


class Ended(KeyboardInterrupt):
    """SIGTERM or a hang-up asked this program to leave in order; `number` is the signal."""

    def __init__(self, number: int) -> None:
        super().__init__(signal.Signals(number).name)
        self.number = number


def signals_to_end() -> tuple[signal.Signals, ...]:
    """Return the signals that ask this program to end; a hang-up that is ignored from the start is none of them."""
    if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
        return signal.SIGTERM, signal.SIGINT
    return signal.SIGTERM, signal.SIGINT, signal.SIGHUP


def let_go(number: int) -> None:
    """Take a signal to end: after a hang-up, what is still read or written at the terminal comes from nowhere."""
    if number != signal.SIGHUP:
        return
    nowhere = os.open(os.devnull, os.O_RDWR)
    for file in TERMINAL_FILES:
        # A terminal that has hung up is no terminal to isatty any more, but still a character device.
        with contextlib.suppress(OSError):
            if stat.S_ISCHR(os.fstat(file).st_mode):
                os.dup2(nowhere, file)
    os.close(nowhere)


def hung_up(file: int = 0) -> bool:
    """Tell whether the terminal at a file number has gone; its end is read a moment before the signal comes."""
    poller = select.poll()
    poller.register(file, 0)
    return any(events & (select.POLLHUP | select.POLLERR) for _, events in poller.poll(0))


@contextlib.contextmanager
def in_order() -> Iterator[None]:
    """Raise Ended, an interrupt as by Ctrl-C, where SIGTERM or a hang-up comes meanwhile (main thread only)."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    numbers = [number for number in signals_to_end() if number != signal.SIGINT]
    before = {number: signal.signal(number, _interrupt) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            if signal.getsignal(number) is _interrupt:
                signal.signal(number, handler)


def stop_before_leaving(
    work: Callable[[], int], stop: Callable[[], object], left: int, ended: tuple[type[BaseException], ...] = ()
) -> int:
    """Return what `work` returns; where a signal or one of `ended` breaks it off, `stop` first, then return `left`.

    The end of a terminal is often read a moment before its hang-up is signalled, so both may break it off.
    """
    ends: tuple[type[BaseException], ...] = (KeyboardInterrupt, *ended)
    try:
        try:
            return work()
        except ends:
            _before_leaving(stop)
    except Ended:
        _before_leaving(stop)
    return left


def _before_leaving(stop: Callable[[], object]) -> None:
    """Stop, and again where a further signal comes meanwhile; hang-ups are ignored from here on."""
    for _ in range(LAST_TRIES):
        with contextlib.suppress(KeyboardInterrupt):
            if threading.current_thread() is threading.main_thread():
                signal.signal(signal.SIGHUP, signal.SIG_IGN)
            if hung_up():
                let_go(signal.SIGHUP)
            stop()
            return


def ask(prompt: str = "") -> str:
    """Read a typed line, as `input` does, which is deaf to a signal that comes just as it begins to wait."""
    if not sys.stdin.isatty():
        return input(prompt)
    print(prompt, end="", flush=True)
    while not select.select([sys.stdin.fileno()], [], [], LOOK_S)[0]:
        pass
    return input()


def _interrupt(number: int, frame: FrameType | None) -> None:
    if signal.getsignal(signal.SIGHUP) is _interrupt:
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
    let_go(number)
    raise Ended(number)
