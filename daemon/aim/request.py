"""What may be asked of aiming and what it answers: a request, its solutions, or a refusal with its reason."""

import math
from dataclasses import dataclass
from typing import Literal

from drillfeed.daemon.aim.thrower import Limit
from drillfeed.daemon.physics.launch import spin_parts
from drillfeed.daemon.physics.record import Flight
from drillfeed.daemon.physics.table import TABLE_LENGTH_M
from drillfeed.daemon.physics.thrower import Rims
from drillfeed.protocol.texts.catalogue import text

Arc = Literal["low", "high", "serve-wise"]
ASKED = ("speed_mps", "tilt_deg", "depth_m", "clearance_m", "apex_m", "arrival_s")
FIGURE_WORDS = {
    "speed_mps": "aim.word-speed",
    "spin_revps": "aim.word-spin",
    "side_revps": "aim.word-sidespin",
    "tilt_deg": "aim.word-tilt",
    "depth_m": "aim.word-depth",
    "clearance_m": "aim.word-net-clearance",
    "apex_m": "aim.word-apex",
    "arrival_s": "aim.word-arrival",
    "placement_m": "aim.word-side",
}
"""The figures of a ball, by the ids of their names."""
UNITS = {"speed_mps": "m/s", "tilt_deg": "degrees", "arrival_s": "s"}
ALLOWED: dict[str, tuple[float, float]] = {
    "spin_revps": (-150.0, 150.0),
    "speed_mps": (1.0, 30.0),
    "tilt_deg": (-75.0, 85.0),
    "depth_m": (0.0, TABLE_LENGTH_M / 2),
    "clearance_m": (0.0, 3.0),
    "apex_m": (0.02, 4.0),
    "arrival_s": (0.05, 5.0),
    "placement_m": (-0.7625, 0.7625),
    "roll_deg": (-180.0, 180.0),
}


@dataclass(frozen=True)
class AimRequest:
    """Hold a ball asked for: its spin and two more figures, a side where the machine pans, and an arc if it matters.

    `spin_revps` is what the wheels give, `roll_deg` turns a part of it into sidespin: `launch.head_spin`.
    Depth is past the net to the first touch on the player's half, clearance the ball's underside over the tape, apex
    the centre above the table at its highest before landing, arrival the time from release to the player's end line.
    Raises ValueError when not exactly two figures are given, or one lies outside `ALLOWED`.
    """

    spin_revps: float
    speed_mps: float | None = None
    tilt_deg: float | None = None
    depth_m: float | None = None
    clearance_m: float | None = None
    apex_m: float | None = None
    arrival_s: float | None = None
    placement_m: float | None = None
    roll_deg: float = 0.0
    arc: Arc | None = None

    def __post_init__(self) -> None:
        given = self.given()
        if len(given) != 2:
            names = ", ".join(given) or "none"
            raise ValueError(text("aim.two-figures", asked=", ".join(ASKED), names=names))
        for name, (low, high) in ALLOWED.items():
            number = getattr(self, name)
            if number is not None and not (math.isfinite(number) and low <= number <= high):
                raise ValueError(text("aim.outside", name=name, number=number, low=low, high=high))

    def given(self) -> dict[str, float]:
        """Return the figures asked for besides spin."""
        return {name: getattr(self, name) for name in ASKED if getattr(self, name) is not None}

    def describe(self) -> str:
        """Return the request in words, lengths in cm."""
        topspin, sidespin = spin_parts(self.spin_revps, self.roll_deg)
        spin = (
            text("aim.topspin", spin_revps=self.spin_revps)
            if not self.roll_deg
            else text("aim.topspin-and-sidespin", topspin=topspin, sidespin=sidespin)
        )
        words = [text("aim.spin", spin=spin)]
        for name, number in self.given().items():
            word = text(FIGURE_WORDS[name])
            unit = UNITS.get(name)
            words.append(
                f"{word} {number:g} {unit}" if unit else text("aim.length-cm", word=word, length_cm=100 * number)
            )
        if self.placement_m is not None:
            words.append(
                text(
                    "aim.aside",
                    aside_cm=abs(100 * self.placement_m),
                    way=text("aim.left") if self.placement_m >= 0 else text("aim.right"),
                )
            )
        return ", ".join(words) + (text("aim.arc", arc=self.arc) if self.arc else "")


@dataclass(frozen=True)
class Solution:
    """Hold one way to throw a ball, with how far one degree of tilt and one percent of speed move its landing."""

    arc: Arc
    speed_mps: float
    spin_revps: float
    tilt_deg: float
    pan_deg: float
    roll_deg: float
    rims: Rims
    top_rpm: float
    bottom_rpm: float
    flight: Flight
    depth_per_degree_m: float
    depth_per_percent_m: float

    def error_m(self, speed_percent: float = 1.0, tilt_deg: float = 0.5) -> float:
        """Return how far a usual error moves the landing along the table, both together, in metres."""
        return math.hypot(self.depth_per_percent_m * speed_percent, self.depth_per_degree_m * tilt_deg)


@dataclass(frozen=True)
class Nearest:
    """Hold the nearest ball that the machine can throw, and what differs from the one asked for."""

    solution: Solution
    differs: str


class NoSolution(Exception):
    """No setting throws the ball asked for; `limits` names what stops it, `nearest` what can be thrown instead.

    Lifting every limit named makes the ball possible. Empty `limits`: no machine throws it, for the reason given.
    """

    def __init__(self, reason: str, limits: tuple[Limit, ...], nearest: Nearest | None) -> None:
        self.reason, self.limits, self.nearest = reason, limits, nearest
        line = reason if nearest is None else text("aim.with-nearest", reason=reason, differs=nearest.differs)
        super().__init__(line)
