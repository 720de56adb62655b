"""How our programs are asked to end: by SIGTERM, by Ctrl-C, and by a hang-up of the terminal they were started in.

Rules of this file: a hang-up means the same as SIGTERM, unless it was ignored at the start, as under `nohup`. The shell
and the kernel both send a hang-up, so a second one never cuts short the ending that the first began. Nothing is written
to a terminal that has gone, because the error would end the program before the wheels are down.
"""

import contextlib
import os
import select
import signal
import stat
import threading
from collections.abc import Callable, Iterator
from types import FrameType

TERMINAL_FILES = (0, 1, 2)
LAST_TRIES = 3


class Ended(KeyboardInterrupt):
    """SIGTERM or a hang-up asked this program to end in an orderly way; `number` is the signal."""

    def __init__(self, number: int) -> None:
        super().__init__(signal.Signals(number).name)
        self.number = number


def signals_to_end() -> tuple[signal.Signals, ...]:
    """Return the signals that ask this program to end; a hang-up is left out if it was ignored from the start."""
    if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
        return signal.SIGTERM, signal.SIGINT
    return signal.SIGTERM, signal.SIGINT, signal.SIGHUP


def leave_terminal_after(number: int) -> None:
    """Take a signal to end; after a hang-up, point the terminal's streams at the null device."""
    if number != signal.SIGHUP:
        return
    nowhere = os.open(os.devnull, os.O_RDWR)
    for file in TERMINAL_FILES:
        # isatty no longer calls a terminal that has hung up a terminal, but it is still a character device.
        with contextlib.suppress(OSError):
            if stat.S_ISCHR(os.fstat(file).st_mode):
                os.dup2(nowhere, file)
    os.close(nowhere)


def hung_up(file: int = 0) -> bool:
    """Tell whether the terminal at a file number has gone; this shows a moment before the signal comes."""
    poller = select.poll()
    poller.register(file, 0)
    return any(events & (select.POLLHUP | select.POLLERR) for _, events in poller.poll(0))


@contextlib.contextmanager
def in_order() -> Iterator[None]:
    """Raise Ended, an interrupt like Ctrl-C, if SIGTERM or a hang-up comes in the block (main thread only)."""
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
    """Return what `work` returns; if a signal or an error of `ended` breaks it off, `stop` and then return `left`.

    The end of a terminal is often read a moment before its hang-up is signalled, so both may break off the work.
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
    """Stop, and stop again if another signal comes meanwhile; ignore hang-ups from here on."""
    for _ in range(LAST_TRIES):
        with contextlib.suppress(KeyboardInterrupt):
            if threading.current_thread() is threading.main_thread():
                signal.signal(signal.SIGHUP, signal.SIG_IGN)
            if hung_up():
                leave_terminal_after(signal.SIGHUP)
            stop()
            return


def _interrupt(number: int, frame: FrameType | None) -> None:
    if signal.getsignal(signal.SIGHUP) is _interrupt:
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
    leave_terminal_after(number)
    raise Ended(number)
