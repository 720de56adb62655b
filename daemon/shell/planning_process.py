"""The process that plans: it reads work from standard input, answers on standard output, and ends with its input.

Rule of this file: the process reads files and computes, and does nothing else. The system bounds its memory by a limit
on its data, and the time for one piece of work by a limit on processor time. So it does not outlive a daemon that was
killed in the middle of some work.
"""

import contextlib
import os
import pickle
import resource
import signal
import sys
from pathlib import Path
from typing import BinaryIO

from drillfeed.daemon.planning.setting import NotPossible
from drillfeed.daemon.shell import plans
from drillfeed.daemon.shell.planner import HEAD, LIMIT_S, MISTAKE, READY, REFUSED, RESULT, TOO_MUCH, answer_of
from drillfeed.daemon.validation import InvalidFile

MEMORY_BYTES = 512 * 1024 * 1024
NICER = 5
assert plans  # imported early, so that the first plan takes no longer than the next


def _bound_memory() -> None:
    """Allow `MEMORY_BYTES` more than is in use now; set no limit if the system does not tell how much that is."""
    with contextlib.suppress(OSError, ValueError), Path("/proc/self/status").open() as status:
        used = next(int(line.split()[1]) * 1024 for line in status if line.startswith("VmData:"))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_DATA, (used + MEMORY_BYTES, used + MEMORY_BYTES))


def _bound_time() -> None:
    """Let the system end this process if the next work takes twice the time that the planner waits for it."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    max_s = int(used.ru_utime + used.ru_stime + 2 * LIMIT_S) + 1
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_CPU, (max_s, resource.getrlimit(resource.RLIMIT_CPU)[1]))


def _answer(message: bytes) -> bytes:
    try:
        work, given = pickle.loads(message)
        return answer_of(RESULT, work(*given))
    except (InvalidFile, NotPossible) as refused:
        return answer_of(REFUSED, refused)
    except MemoryError:
        return answer_of(TOO_MUCH, None)
    except Exception as mistake:
        return answer_of(MISTAKE, f"{type(mistake).__name__}: {mistake}"[:300])


def main() -> None:
    """Answer until the input ends."""
    for number in (signal.SIGINT, signal.SIGHUP):  # these come from a terminal; the daemon ends this process
        signal.signal(number, signal.SIG_IGN)
    work: BinaryIO = sys.stdin.buffer
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb", buffering=0)
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # so that printed text does not mix with answers
    with contextlib.suppress(OSError):
        os.nice(NICER)
    _bound_memory()
    _say(answers, answer_of(READY, None))
    while head := work.read(HEAD.size):
        _bound_time()
        _say(answers, _answer(work.read(*HEAD.unpack(head))))


def _say(answers: BinaryIO, message: bytes) -> None:
    left = memoryview(message)
    while left:
        left = left[answers.write(left) :]


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError):
        main()
