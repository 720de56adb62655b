"""A first look at many balls at once: the figures a request asks for, at any speeds and tilts, some millimetres off.

Where a request names a side, each ball is turned to it by pan: pan turns a whole flight about the upright line
through the opening, so the side costs one more look and no search.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from drillfeed.daemon.aim.hops import Figures, look_at_many
from drillfeed.daemon.aim.request import AimRequest
from drillfeed.daemon.aim.thrower import Array, Thrower, launches_by
from drillfeed.daemon.physics.launch import Launches
from drillfeed.daemon.physics.motion import coefficients_of
from drillfeed.daemon.physics.table import NET_X_M


@dataclass(frozen=True)
class Sight:
    """Hold a machine and a request to look for; `pan_deg` is told to every ball of a request that names no side."""

    thrower: Thrower
    request: AimRequest
    pan_deg: float
    kept: dict[tuple[bytes, bytes], Figures] = field(default_factory=dict)
    """What was seen of balls that land on the second hop, when they were looked at for the first."""

    @property
    def goal(self) -> dict[str, float]:
        """Return the figures asked for that are seen in flight."""
        return {name: number for name, number in self.request.given().items() if name not in ("speed_mps", "tilt_deg")}

    def look(self, speed_mps: Array, tilt_deg: Array, hops: int) -> tuple[Figures, Array]:
        """Return the figures of (n,) balls that land on a hop, and the pan set for each, in degrees."""
        request, thrower = self.request, self.thrower
        pan = np.full(len(speed_mps), self.pan_deg)
        key = (speed_mps.tobytes(), tilt_deg.tobytes())
        if hops == 2 and key in self.kept:
            return self.kept[key], pan
        launches = launches_by(thrower, speed_mps, request.spin_revps, tilt_deg, pan, request.roll_deg)
        if request.placement_m is None and request.arc is None and hops == 1 and not self.kept:
            direct, self.kept[key] = self._both(launches)
            return direct, pan
        seen = self._seen(launches, hops)
        if request.placement_m is None:
            return seen, pan
        turn = self._turn_deg(launches, seen)
        known = np.isfinite(turn)
        pan = pan + np.where(known, turn, 0.0)
        launches = launches_by(thrower, speed_mps, request.spin_revps, tilt_deg, pan, request.roll_deg)
        turned = self._seen(launches, hops)
        return replace(turned, depth_m=np.where(known, turned.depth_m, np.nan)), pan

    def _turn_deg(self, launches: Launches, seen: Figures) -> Array:
        """Return the further pan that lands each ball at the side asked for, in degrees; NaN if it can't reach it."""
        assert self.request.placement_m is not None
        start_x, start_y = launches.position_m[0], launches.position_m[1]
        along, aside = seen.depth_m + NET_X_M - start_x, seen.landing_y_m - start_y
        with np.errstate(invalid="ignore"):
            wanted = np.arcsin((self.request.placement_m - start_y) / np.hypot(along, aside))
        turn: Array = np.degrees(wanted - np.arctan2(aside, along))
        return turn

    def _seen(self, launches: Launches, hops: int) -> Figures:
        if hops == 2:
            return self._both(launches)[1]
        return self._look(launches, serves=False)[0]

    def _both(self, launches: Launches) -> tuple[Figures, Figures]:
        direct, serve = self._look(launches, serves=True)
        assert serve is not None
        return direct, serve

    def _look(self, launches: Launches, serves: bool) -> tuple[Figures, Figures | None]:
        thrower, request = self.thrower, self.request
        arrival = request.arrival_s is not None
        noting = arrival or request.clearance_m is not None or request.apex_m is not None
        law = coefficients_of(thrower.ball, thrower.air)
        return look_at_many(launches, law, thrower.ball, arrival, noting, serves=serves)
