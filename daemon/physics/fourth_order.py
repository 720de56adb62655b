"""The classical fourth-order rule of Runge and Kutta, for a first look at many balls: some millimetres off.

Its path has the places, velocities and accelerations of both ends (Hermite's polynomial of fifth degree).
"""

from drillfeed.daemon.physics.eighth_order import Row, Rule, row_of

# Of the slopes: what a step gives to the place (times h^2) and to the velocity (times h), and the slope at either end.
_PLACE, _END = (1 / 6, 1 / 6, 1 / 6, 0.0, 0.0), (1 / 6, 1 / 3, 1 / 3, 1 / 6, 0.0)
_BEGIN, _FINISH = (1.0, 0.0, 0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 0.0, 1.0)


def _row(place: float, end: float, begin: float, finish: float) -> Row:
    parts = zip(_PLACE, _END, _BEGIN, _FINISH, strict=True)
    return row_of(0, tuple(place * p + end * e + begin * b + finish * f for p, e, b, f in parts))


FOURTH = Rule(
    stages=(row_of(0, (0.5,)), row_of(1, (0.5,)), row_of(2, (1.0,)), row_of(0, _END[:4])),
    moments=(0.0, 0.5, 0.5, 1.0, 1.0),
    path=(_row(6.0, -3.0, -0.5, 0.5), _row(-15.0, 7.0, 1.5, -1.0), _row(10.0, -4.0, -1.5, 0.5), row_of(0, (0.5,))),
    last_stage=4,
    slots=(0, 1, 2, 3, 4),
    max_step_m=1.7,
    max_turn_rad=0.5,
)
FINE = FOURTH._replace(max_step_m=0.9, max_turn_rad=0.3)  # tenths of a millimetre off
