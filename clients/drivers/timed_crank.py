"""A crank that is run for the time of a turn: how long that is at the present voltage.

Rule of this file: pure. A brushed motor's speed rises with its voltage (textbook), so the time of a turn falls with it.
"""

MIN_SHARE, MAX_SHARE = 0.5, 2.0  # of the measured time: a voltage beyond that is no reading


def turn_s(measured_s: float, measured_v: float, supply_v: float | None) -> float:
    """Return for how long to run the crank for one turn, in seconds.

    `measured_s` was counted over a minute at `measured_v`. If the voltage is not known, the time stays as measured,
    and the crank drifts by the difference: its phase is checked at the mark by hand.
    """
    if supply_v is None or supply_v <= 0:
        return measured_s
    return measured_s * min(max(measured_v / supply_v, MIN_SHARE), MAX_SHARE)
