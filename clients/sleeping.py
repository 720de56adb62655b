"""How long this computer has slept, from the difference of two of its clocks.

Rule of this file: the clock that counts sleep is read first. If the process is frozen between the two readings, it sees
too little sleep, which the next reading corrects, and never too much.
"""

import sys
import time


def asleep_s() -> float:
    """Return how many seconds the computer has slept since it was started; 0 if no clock tells.

    On Linux, CLOCK_BOOTTIME goes on during sleep and CLOCK_MONOTONIC stands still (clock_gettime(2)).
    """
    if sys.platform != "linux":
        return 0.0
    counting_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    return counting_s - time.clock_gettime(time.CLOCK_MONOTONIC)
