"""A simulated thrower: a `Board` with motors, wheels, a supply, a feeder and balls that fly.

Rules of this file: the state moves in steps of 1 ms from the start, however often it is read. A ball's flight follows
from the wheels and angles at the instant it leaves, never from what was asked for. Random values come only from `rng`,
with separate streams for noise, feeder, release and play, so that one stream does not shift another.
"""

import math
from collections.abc import Iterator, Sequence

import numpy as np

from drillfeed.clients.drivers.board import Hopper, Note, Reading, forget
from drillfeed.clients.drivers.faults import Fault, FaultTable
from drillfeed.clients.drivers.rules import angle_limits
from drillfeed.clients.drivers.timed_tilt import anywhere
from drillfeed.clients.drivers.traits import Fly, Parts, ReleaseState, ThrowerTraits
from drillfeed.clients.drivers.wheels import Dip, law_of, next_rpm, throw
from drillfeed.protocol.link import ANGLES, Axis

STEP_S = 0.001
BUSY_SHARE = 0.8
CUT_KEEPS_SHARE = 0.5
DRAWS = 1024
TAIL = 3.0


class SimulatedThrower:
    """The board of a simulated thrower; `now` is the driver's clock."""

    def __init__(
        self,
        traits: ThrowerTraits,
        fly: Fly,
        parts: Parts,
        rng: np.random.Generator,
        now: float,
        note: Note = forget,
        faults: Sequence[Fault] = (),
    ) -> None:
        """Begin at rest with a full hopper."""
        self.traits, self._fly, self._parts, self._note = traits, fly, parts, note
        noise, self._feeder_rng, release, chance, wheels, self._play_rng = rng.spawn(6)
        self._noise, self._release, self._wheel_errors = _normals(noise), _normals(release), _normals(wheels)
        self._faults = FaultTable(faults, chance)
        self._start_s, self._steps = now, 0
        self._top_law, self._bottom_law = law_of(traits.top, STEP_S), law_of(traits.bottom, STEP_S)
        self.top_rpm = self.bottom_rpm = 0.0
        self._top_goal = self._bottom_goal = 0.0
        self._told_rpm: dict[Axis, float] = {"top": 0.0, "bottom": 0.0}
        self._load = 0.0
        limits = traits.driver.limits
        self._slew = {
            axis: reach.slew_deg_per_s for axis in ANGLES if (reach := angle_limits(limits, axis)) is not None
        }
        self.angles_deg: dict[Axis, float] = {axis: self._home(axis) for axis in self._slew}
        self._angle_goals = dict(self.angles_deg)
        self._timed_tilt = anywhere(traits.timed_tilt, self.angles_deg.get("tilt", 0.0), self._play_rng)
        self.hopper_balls = traits.hopper_balls
        self.agitating = False
        self.balls_left = 0
        self._pushes: list[tuple[float, float, int]] = []
        self._last_push_s = -math.inf
        self._phase_s = 0.0
        self._cut_s = -math.inf
        self._attended = False
        self._exits, self._exit_at_s = 0, None if not traits.driver.exit_sensor else now

    @property
    def tilt_deg(self) -> float:
        """Return where the head really is, whatever the driver reckons."""
        return self.angles_deg.get("tilt", 0.0) if self._timed_tilt is None else self._timed_tilt.deg

    def _home(self, axis: Axis) -> float:
        reach = angle_limits(self.traits.driver.limits, axis)
        if reach is None:
            return 0.0
        if axis == "tilt" and self.traits.timed_tilt is not None:
            return reach.high_deg
        return min(max(0.0, reach.low_deg), reach.high_deg) if self.traits.angle_seen else reach.low_deg

    # The five methods of a board, and the agitator.

    def set_wheel(self, wheel: Axis, rpm: float) -> None:
        """Set the goal of the wheel's speed controller."""
        self._told_rpm[wheel] = rpm
        if wheel == "top":
            self._top_goal = self._driven("top-drive", rpm)
        else:
            self._bottom_goal = self._driven("bottom-drive", rpm)

    def _driven(self, channel: Axis | str, rpm: float) -> float:
        if self._faults.none:
            return rpm
        bent = self._faults.bent("top-drive" if channel == "top-drive" else "bottom-drive", rpm, self._age_s)
        if bent is None or not math.isfinite(bent):
            return 0.0
        high = self.traits.top.high_rpm if channel == "top-drive" else self.traits.bottom.high_rpm
        return min(max(bent, -high), high)

    def set_angle(self, axis: Axis, deg: float) -> None:
        """Set the goal of the axis."""
        bent = self._faults.bent("tilt-drive", deg, self._age_s) if axis == "tilt" else deg
        if bent is not None and math.isfinite(bent) and axis in self._angle_goals:
            self._angle_goals[axis] = bent

    def feed_one(self, id: int) -> None:
        """Start a push: if the hopper has a ball, it leaves after the latency and its scatter."""
        feeder, now = self.traits.feeder, self._now_s
        fault = self._faults.active("feeder", self._age_s)
        if now - self._last_push_s < BUSY_SHARE * feeder.cycle_s or (
            fault is not None and fault.kind in ("off", "stuck")
        ):
            self._note("push_lost", now, id=id, reason="busy" if fault is None else "jam")
            return
        self._last_push_s = now
        scatter_s = float(self._feeder_rng.uniform(-1, 1)) * feeder.spread_s
        if feeder.kind == "crank-timed":
            self._phase_s += float(self._feeder_rng.uniform(-1, 1)) * feeder.phase_error_per_turn * feeder.cycle_s
        extra_s = fault.amount if fault is not None and fault.kind in ("delayed", "slow") else 0.0
        balls = 2 if fault is not None and fault.kind == "wrong" else 1
        leaves_s = now + max(feeder.latency_s + scatter_s + self._phase_s + extra_s, STEP_S)
        for ball in range(balls):
            if self.hopper_balls < 1:
                self._note("push_empty", now, id=id)
                return
            self.hopper_balls -= 1
            self._pushes.append((leaves_s + 0.03 * ball, now, id))
        self._pushes.sort()

    def read(self, now: float) -> Reading:
        """Advance the thrower to `now` and return what its sensors see."""
        self.step(now)
        if self._attended:
            self._attended, self._phase_s, self.hopper_balls = False, 0.0, self.traits.hopper_balls
            self._note("attended", now, hopper_balls=self.hopper_balls)
        traits, age_s = self.traits, self._age_s
        seen = traits.driver.feedback == "measured"
        tilt = self.angles_deg.get("tilt") if traits.angle_seen else None
        extra = {"top_true_rpm": self.top_rpm, "bottom_true_rpm": self.bottom_rpm}
        top = self.top_rpm * (1 + traits.noise_share * next(self._noise)) if seen else None
        bottom = self.bottom_rpm * (1 + traits.noise_share * next(self._noise)) if seen else None
        supply = None if traits.supply_v is None else traits.supply_v * (1 - traits.sag_share * self._load)
        exits: float | None = self._exits if traits.driver.exit_sensor else None
        if not self._faults.none:
            top = None if top is None else self._faults.bent("top", top, age_s)
            bottom = None if bottom is None else self._faults.bent("bottom", bottom, age_s)
            tilt = None if tilt is None else self._faults.bent("tilt", tilt, age_s)
            supply = None if supply is None else self._faults.bent("supply", supply, age_s)
            exits = None if exits is None else self._faults.bent("exits", exits, age_s)
        return Reading(
            top_rpm=top,
            bottom_rpm=bottom,
            tilt_deg=tilt,
            pan_deg=self.angles_deg.get("pan") if traits.angle_seen else None,
            roll_deg=self.angles_deg.get("roll") if traits.angle_seen else None,
            exits=int(exits) if exits is not None and math.isfinite(exits) and exits >= 0 else None,
            exit_at_s=self._exit_at_s,
            supply_v=supply,
            hopper=self._hopper(),
            extra=extra,
        )

    def cut(self) -> None:
        """Cut the power of feeder and agitator: a crank stops in mid-turn; a push that has begun may still finish."""
        self.agitating = False
        feeder, now = self.traits.feeder, self._now_s
        turned_s = now - self._last_push_s
        if turned_s >= feeder.cycle_s or self._cut_s >= self._last_push_s:
            return
        self._cut_s = now
        if feeder.kind == "indexed":
            return
        held = [push for push in self._pushes if turned_s < CUT_KEEPS_SHARE * (push[0] - push[1])]
        for push in held:
            self._pushes.remove(push)
            self.hopper_balls += 1
            self._note("push_held", now, id=push[2])
        if feeder.kind == "crank-timed":  # the rest of this turn shifts each later ball
            self._phase_s += -turned_s if held else feeder.cycle_s - turned_s

    def attend(self) -> None:
        """Act as the person at the thrower: fill the hopper, turn the crank to its mark."""
        self._attended = True

    def set_agitator(self, on: bool) -> None:
        """Switch the agitator on or off."""
        self.agitating = on

    # The inside.

    @property
    def _now_s(self) -> float:
        return self._start_s + self._steps * STEP_S

    @property
    def _age_s(self) -> float:
        return self._steps * STEP_S

    def _hopper(self) -> Hopper | None:
        if not self.traits.hopper_seen:
            return None
        if self.hopper_balls == 0:
            return "empty"
        return "low" if self.hopper_balls <= self.traits.hopper_low_at else "ok"

    def step(self, now: float) -> None:
        """Advance to `now` in steps of 1 ms; while everything is at its goal, skip ahead at once."""
        until = math.floor((now - self._start_s) / STEP_S + 1e-6)
        while self._steps < until:
            if self._resting():
                self._load = 0.0
                next_push_s = self._pushes[0][0] if self._pushes else math.inf
                ahead = (next_push_s - self._start_s) / STEP_S
                self._steps = until if ahead > until else max(self._steps + 1, math.ceil(ahead))
            else:
                self._steps += 1
                self._one_step()
            while self._pushes and self._pushes[0][0] <= self._now_s:
                self._leave(self._pushes.pop(0))

    def _resting(self) -> bool:
        return (
            self.top_rpm == self._top_goal
            and self.bottom_rpm == self._bottom_goal
            and self.angles_deg == self._angle_goals
        )

    def _one_step(self) -> None:
        push = 1 - self.traits.sag_share * self._load
        top = next_rpm(self.top_rpm, self._top_goal, self._top_law, push)
        bottom = next_rpm(self.bottom_rpm, self._bottom_goal, self._bottom_law, push)
        rise_top, rise_bottom = abs(top) - abs(self.top_rpm), abs(bottom) - abs(self.bottom_rpm)
        self._load = (
            max(rise_top, 0.0) / self._top_law.max_rise + max(rise_bottom, 0.0) / self._bottom_law.max_rise
        ) / 2
        self.top_rpm, self.bottom_rpm = top, bottom
        for axis, goal in self._angle_goals.items():
            deg = self.angles_deg[axis]
            if deg != goal:
                max_deg = self._slew[axis] * STEP_S
                self.angles_deg[axis] = goal if abs(goal - deg) <= max_deg else deg + math.copysign(max_deg, goal - deg)
        if self._timed_tilt is not None:
            self._timed_tilt.follow(self.angles_deg["tilt"])

    def _throw(self, top_rpm: float, bottom_rpm: float) -> Dip:
        traits = self.traits
        return throw(traits.top, traits.bottom, top_rpm, bottom_rpm, traits.ball_mass_kg, traits.ball_radius_m)

    def _leave(self, push: tuple[float, float, int]) -> None:
        """Let a ball leave: launch it from the wheels as they are now, slow the wheels, and compute its flight."""
        leaves_s, began_s, id = push
        traits, scatter = self.traits, self.traits.scatter
        before = self.top_rpm, self.bottom_rpm
        felt = [rpm * (1 + scatter.wheel_share * next(self._wheel_errors)) for rpm in before]
        speed, spin, *_ = self._throw(*felt)
        *_, self.top_rpm, self.bottom_rpm = self._throw(*before)
        play_deg = scatter.tilt_play_deg * float(self._play_rng.uniform(-0.5, 0.5))
        speed *= 1 + scatter.speed_share * next(self._release)
        spin *= 1 + scatter.spin_share * next(self._release)
        state = ReleaseState(
            at_s=leaves_s,
            speed_mps=speed,
            spin_revps=spin,
            tilt_deg=self.tilt_deg + play_deg + scatter.angle_deg * next(self._release),
            pan_deg=self.angles_deg.get("pan", 0.0) + scatter.angle_deg * next(self._release),
            roll_deg=self.angles_deg.get("roll", 0.0),
        )
        topspin, sidespin = self._parts(spin, state.roll_deg)
        self.balls_left += 1
        if traits.driver.exit_sensor:
            self._exits, self._exit_at_s = self._exits + 1, leaves_s
        self._note(
            "leaves",
            leaves_s,
            n=self.balls_left,
            id=id,
            pushed_s=round(began_s, 6),
            after_cut=began_s <= self._cut_s,
            top_true_rpm=round(before[0], 1),
            bottom_true_rpm=round(before[1], 1),
            speed_mps=round(speed, 4),
            spin_revps=round(topspin, 3) + 0.0,  # never -0.0
            side_revps=round(sidespin, 3) + 0.0,
            tilt_deg=round(state.tilt_deg, 3),
            pan_deg=round(state.pan_deg, 3),
            roll_deg=round(state.roll_deg, 3),
            hopper_balls=self.hopper_balls,
            landing=self._fly(state).logged(),
        )


def _normals(rng: np.random.Generator) -> Iterator[float]:
    """Yield standard normal numbers, clipped at three, drawn many at a time."""
    while True:
        yield from np.clip(rng.standard_normal(DRAWS), -TAIL, TAIL).tolist()
