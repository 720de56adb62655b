"""A probe and a driver on one virtual clock, and a quick board: wheels follow at once, balls leave after 50 ms."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Protocol

from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.clients.drivers.board import DriverTraits, Reading
from drillfeed.clients.probe.bench import MeetsHangUp
from drillfeed.clients.probe.probe import Probe
from drillfeed.clients.probe.verdict import first_bad
from drillfeed.protocol.link import AngleLimits, Axis, Limits, WheelLimits

TICK_S = 0.005
START_S = 50.0
OFFSET_S = 1000.0
MAX_S = 400.0
PEER = b"driver"

WHEEL = WheelLimits(low_rpm=0.0, high_rpm=6000.0, up_rpm_per_s=6000.0, down_rpm_per_s=5000.0, quick_rpm_per_s=9000.0)
TRAITS = DriverTraits(
    name="a quick board",
    limits=Limits(top=WHEEL, bottom=WHEEL, tilt=AngleLimits(low_deg=-30.0, high_deg=60.0, slew_deg_per_s=90.0)),
    feedback="measured",
    stopping="brake",
    spin_down_s=0.8,
    top_diameter_m=0.060,
    bottom_diameter_m=0.060,
    exit_sensor=True,
    simulated=True,
)
BLIND = replace(TRAITS, name="a quick board with no feedback", feedback="none", exit_sensor=False)


@dataclass
class QuickBoard:
    """A board whose wheels follow at once; `blind` measures nothing."""

    blind: bool = False
    now: float = 0.0
    rpm: dict[str, float] = field(default_factory=lambda: {"top": 0.0, "bottom": 0.0})
    tilt_deg: float = 0.0
    leaving: list[float] = field(default_factory=list)
    exits: int = 0

    def set_wheel(self, wheel: Axis, rpm: float) -> None:
        self.rpm[wheel] = rpm

    def set_angle(self, axis: Axis, deg: float) -> None:
        self.tilt_deg = deg

    def feed_one(self, id: int) -> None:
        self.leaving.append(self.now + 0.05)

    def read(self, now: float) -> Reading:
        self.now = now
        while self.leaving and self.leaving[0] <= now:
            self.leaving.pop(0)
            self.exits += 1
        if self.blind:
            return Reading()
        return Reading(top_rpm=self.rpm["top"], bottom_rpm=self.rpm["bottom"], tilt_deg=self.tilt_deg, exits=self.exits)

    def cut(self) -> None:
        """A push that has begun ends by itself here."""


class Driver(Protocol):
    """Anything that takes frames and is called every 5 ms."""

    def receive(self, frame: bytes, now: float) -> list[bytes]: ...

    def tick(self, now: float) -> list[bytes]: ...


def sound_driver(now: float, traits: DriverTraits = TRAITS) -> DriverCore:
    """Return a driver that keeps the rules, on a quick board."""
    return DriverCore(traits, QuickBoard(blind=traits.feedback == "none"), "boot-1", now)


def run_probe(
    make: Callable[[float], Driver],
    feed: bool = True,
    freeze: bool = True,
    only: tuple[str, ...] = (),
    to_the_end: bool = True,
    stall_s: float = 1.0,
    meets_hang_up: MeetsHangUp = "caught",
    leaves: bool = True,
    name: str = "probe-test",
    later_s: float = 0.0,
    balls: int = 0,
    pressure: Callable[[float], float] | None = None,
) -> Probe:
    """Run the table against a driver on a virtual clock, to the end or to the first check that does not hold.

    A driver that raises has died and says no more; so has one that `leaves` when its terminal hangs up. `later_s`
    begins so much later, for a driver that was probed before; `pressure` is for how long processes have waited for a
    processor by then, None where the system does not count it.
    """
    now, dead = START_S + later_s, False
    driver = make(now + OFFSET_S)
    probe = Probe(name, now, can_freeze=freeze, only=only, stall_s=stall_s, balls=balls)
    if pressure is not None:
        probe.bench.stalls.waited_s = lambda: pressure(now)

    probe.allowed.add("armed")
    if feed:
        probe.allowed.add("feeding")
    else:
        probe.decline("feeding", "not asked for: --feed")
    stuck: list[bytes] = []
    while not probe.done and now < START_S + later_s + MAX_S and (to_the_end or first_bad(probe.rows) is None):
        now = round(now + TICK_S, 6)
        stuck += [frame for _, frame in probe.bench.out]
        probe.bench.out.clear()
        answers: list[bytes] = []
        if not probe.bench.frozen and not dead:
            try:
                for frame in stuck:
                    answers += driver.receive(frame, now + OFFSET_S)
                answers += driver.tick(now + OFFSET_S)
            except Exception:
                dead = True
            stuck.clear()
        if probe.bench.hung_up:
            probe.bench.meets_hang_up = meets_hang_up
            dead = probe.bench.gone = leaves and meets_hang_up != "ignored"
        for frame in answers:
            probe.receive(PEER, frame, now)
        probe.advance(now)
    if not probe.done:
        probe.finish()
    return probe
