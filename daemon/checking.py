"""Summaries of files: figures that show a builder at once if, say, a radius was written as a diameter."""

import contextlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from drillfeed.daemon.aim.report import extrapolated_text
from drillfeed.daemon.aim.spread import spread_of
from drillfeed.daemon.aim.thrower import rim_limits, thrower_of
from drillfeed.daemon.aim.unknown import unknown_of
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.drill import Drill
from drillfeed.daemon.drills.players import RIGHT_HANDED, Player, for_player
from drillfeed.daemon.files import read_toml
from drillfeed.daemon.guesses import guess_lines, guesses_of
from drillfeed.daemon.library.loading import find, is_path, known, load_balls, load_machine, read_any, shipped
from drillfeed.daemon.machine import AngleAxis, Machine
from drillfeed.daemon.planning.allowed import check_ball
from drillfeed.daemon.planning.fitting import fitted
from drillfeed.daemon.planning.plan import plan_drill
from drillfeed.daemon.planning.rims import max_spin_at, shares
from drillfeed.daemon.planning.setting import NotPossible, Setting, bend_text, flight_for, setting_for, told
from drillfeed.daemon.planning.transition import wheel_change_s
from drillfeed.daemon.survey.topics import wheels_alike
from drillfeed.daemon.validation import FileError, InvalidFile
from drillfeed.daemon.wheel import Wheel

SPREAD_SEED, SPREAD_BALLS = 1, 500
SPEEDS_MPS = (5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 15.0)


def _wheel_lines(name: str, wheel: Wheel) -> list[str]:
    low, high = wheel.lowest_rpm, wheel.highest_rpm
    stop = "brakes" if wheel.brake == "yes" else f"coasts, time constant {wheel.coast_time_constant_s:g} s"
    up_s, down_s = wheel_change_s(wheel, low, high), wheel_change_s(wheel, high, low)
    return [
        f"  {name} wheel: diameter {wheel.diameter_mm:g} mm, {low:,.0f} to {high:,.0f} rpm, "
        f"rim {wheel.rim_mps(low):.1f} to {wheel.rim_mps(high):.1f} m/s{', reverses' if wheel.reverse else ''}",
        f"    from low to high {up_s:.1f} s, from high to low {down_s:.1f} s ({stop})",
    ]


def _span(axis: AngleAxis | None) -> str:
    return f"{axis.low_deg:g} to {axis.high_deg:g}" if axis else "no"


def machine_lines(machine: Machine) -> list[str]:
    """Return the figures of a profile, for its builder."""
    limits, (of_speed, _) = rim_limits(machine), shares(machine)
    feeder = machine.feeder
    low = f"{feeder.low_balls_per_min:g} to " if feeder.low_balls_per_min else "up to "
    lines = [f"{machine.name}: {machine.title}"]
    lines += _wheel_lines("top", machine.top) + _wheel_lines("bottom", machine.bottom)
    lines.append(f"  launch speed with no spin: {limits.min_mps * of_speed:.1f} to {limits.max_mps * of_speed:.1f} m/s")
    lines.append("  most spin either way at a launch speed:")
    speeds = [speed for speed in SPEEDS_MPS if speed <= limits.max_mps * of_speed]
    lines.append("    m/s    " + "".join(f"{speed:6.0f}" for speed in speeds))
    lines.append("    rev/s  " + "".join(f"{max_spin_at(machine, speed):6.0f}" for speed in speeds))
    lines.append(
        f"  tilt {machine.tilt.low_deg:g} to {machine.tilt.high_deg:g} degrees, "
        f"{(machine.tilt.high_deg - machine.tilt.low_deg) / machine.tilt.slew_deg_per_s:.1f} s from end to end; "
        f"pan {_span(machine.pan)}, head roll {_span(machine.roll)}"
    )
    if machine.tilt.by_time:
        often = "at the first start" if machine.tilt.max_moves is None else f"every {machine.tilt.max_moves} moves"
        lines.append(f"    by time: before a set it is sent to its lower stop, {often}")
    lines.append(f"  feeder {feeder.kind}: {low}{feeder.high_balls_per_min:g} balls/min, hopper {machine.hopper.balls}")
    if feeder.max_turns is not None:
        lines.append(f"    by time only: the crank must be turned to its mark by hand every {feeder.max_turns} turns")
    seen = (
        "speed feedback" if machine.sensors.speed_feedback else "no speed feedback: arrival is assumed, never measured"
    )
    exits = "exit sensor" if machine.sensors.exit_sensor else "no exit sensor: balls seen leaving stay blank"
    lines.append(f"  {seen}; {exits}")
    return lines


def _ball_lines(balls: dict[str, BallType], machine: Machine, player: Player) -> list[str]:
    lines = [f"{len(balls)} ball types; on {machine.name}{_for(player)}:"]
    for written in balls.values():
        ball = for_player(written, player)
        try:
            fit = fitted(ball, machine)
            check_ball(fit.ball, machine, player.profile, balls)
            ball, setting = fit.ball, setting_for(fit.ball, machine)
        except NotPossible as error:
            lines.append(f"  {ball.name}: not here: {error}")
        else:
            bent = f"{fit.text}; " if fit.text else ""
            lines.append(
                f"  {ball.name}: {bent}top {setting.top_rpm:,.0f} rpm, bottom {setting.bottom_rpm:,.0f} rpm, "
                f"tilt {setting.tilt_deg:.1f} degrees{_turns(setting)}"
            )
            lines += [f"    {warning}" for warning in _warnings(ball, setting, machine)]
    return lines


def _turns(setting: Setting) -> str:
    """Return pan and roll if they are not zero."""
    turns = (("pan", setting.pan_deg), ("roll", setting.roll_deg))
    return "".join(f", {name} {deg:+.1f}" for name, deg in turns if deg)


def _warnings(ball: BallType, setting: Setting, machine: Machine) -> Iterator[str]:
    """Yield warnings about a ball: how many will miss, and whether the model is extrapolated."""
    thrower, rng = thrower_of(machine), np.random.default_rng(SPREAD_SEED)
    of_machine = replace(unknown_of(thrower), widths=None)
    found = spread_of(thrower, told(ball, setting), rng, SPREAD_BALLS, unknown=of_machine)
    if (bends := bend_text(ball, machine)) is not None:
        yield bends
    if found.warning:
        yield found.warning
    if (extrapolated := extrapolated_text(flight_for(ball, machine))) is not None:
        yield extrapolated


def _for(player: Player) -> str:
    return f", for a player of {player.profile.text}" if player.profile else ""


def drill_lines(drill: Drill, machine: Machine, folder: Path | None, player: Player = RIGHT_HANDED) -> list[str]:
    """Return a summary of a drill on a machine for a player; raise NotPossible if it can't run there."""
    plan = plan_drill(drill, load_balls(folder), machine, 0, player=player)
    lines = [f"{drill.name}: {drill.title}; {plan.balls} balls on {machine.name}{_for(player)}"]
    lines += [f"  {note}" for note in plan.notes]
    for set_plan in plan.sets:
        rest = f"rest {set_plan.rest_s:g} s" if set_plan.rest_s else "then a rest that waits for the player"
        tail = "" if set_plan is plan.sets[-1] else f", {rest}"
        title = f" ({set_plan.title})" if set_plan.title else ""
        lines.append(
            f"  set {set_plan.number}{title}: {len(set_plan.balls)} balls at {set_plan.tempo_text()}/min{tail}"
        )
        if set_plan.crank_to_mark_before:
            lines.append("    before it: turn the crank to its mark by hand")
        if set_plan.stretch:
            lines.append(f"    {set_plan.stretch.text}")
    return lines


def known_lines(path: Path, folder: Path | None) -> list[str]:
    """Return what isn't known exactly of a machine, what it costs its balls, and what to measure next."""
    machine, balls = load_machine(str(path)), load_balls(folder)
    guesses = guesses_of(machine, list(balls.values()), wheels_alike(read_toml(path)))
    if guesses is None and not machine.known:
        own = path not in shipped("machines").values()
        advice = f". Next: drillfeed profile improve {path}" if own else ""
        return [
            "  the profile does not say how its values are known: uncalibrated, wheels are taken as known to 2 % each",
            f"    and the tilt to 1 degree{advice}",
        ]
    return guess_lines(guesses, str(path)) if guesses else []


def _path(name: str, folder: Path | None) -> Path:
    path = Path(name)
    if is_path(name):
        return path
    with contextlib.suppress(OSError):  # a name that no file can have
        if path.exists():
            return path
    for kind in ("machines", "drills", "balls"):
        if name in known(kind, folder):
            return find(kind, name, folder)
    raise InvalidFile([FileError(name, "(name)", "no such file or name", "a file, or a name of drillfeed list")])


def check_file(name: str, machine: Machine, folder: Path | None, player: Player = RIGHT_HANDED) -> list[str]:
    """Return a summary of a file; raise InvalidFile with all its mistakes, or NotPossible."""
    path = _path(name, folder)
    found = read_any(path)
    if isinstance(found, Machine):
        return [*machine_lines(found), *known_lines(path, folder)]
    if isinstance(found, Drill):
        return drill_lines(found, machine, folder, player)
    assert isinstance(found, dict)
    return _ball_lines(found, machine, player)
