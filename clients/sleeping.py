"""The clocks of this computer that tell whether it slept.

Rule of this file: the clock that counts sleep is read first. A process that is frozen between the two readings then
sees too little, which the next look mends, and never too much.
"""

import sys
import time


def asleep_s() -> float:
    """Return how many seconds the computer has slept since it was started; 0 where no clock tells.

    Linux: CLOCK_BOOTTIME goes on in a sleep, CLOCK_MONOTONIC stands still (clock_gettime(2)).
    """
    if sys.platform != "linux":
        return 0.0
    counting_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    return counting_s - time.clock_gettime(time.CLOCK_MONOTONIC)
