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
from drillfeed.protocol.texts.catalogue import text

SPREAD_SEED, SPREAD_BALLS = 1, 500
SPEEDS_MPS = (5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 15.0)


def _wheel_lines(name: str, wheel: Wheel) -> list[str]:
    low, high = wheel.lowest_rpm, wheel.highest_rpm
    stop = "brakes" if wheel.brake == "yes" else text("check.coasts", coast_time_constant_s=wheel.coast_time_constant_s)
    up_s, down_s = wheel_change_s(wheel, low, high), wheel_change_s(wheel, high, low)
    return [
        text(
            "check.wheel",
            name=name,
            diameter_mm=wheel.diameter_mm,
            low=low,
            high=high,
            low_mps=wheel.rim_mps(low),
            high_mps=wheel.rim_mps(high),
            reverses=text("check.reverses") if wheel.reverse else "",
        ),
        text("check.changes", up_s=up_s, down_s=down_s, stop=stop),
    ]


def _span(axis: AngleAxis | None) -> str:
    return text("check.from-to", low_deg=axis.low_deg, high_deg=axis.high_deg) if axis else "no"


def machine_lines(machine: Machine) -> list[str]:
    """Return the figures of a profile, for its builder."""
    limits, (of_speed, _) = rim_limits(machine), shares(machine)
    feeder = machine.feeder
    low = (
        text("check.low-rate", low_balls_per_min=feeder.low_balls_per_min)
        if feeder.low_balls_per_min
        else text("check.up-to")
    )
    lines = [f"{machine.name}: {machine.title}"]
    lines += _wheel_lines("top", machine.top) + _wheel_lines("bottom", machine.bottom)
    lines.append(text("check.launch-speed", low_mps=limits.min_mps * of_speed, high_mps=limits.max_mps * of_speed))
    lines.append(text("check.max-spin"))
    speeds = [speed for speed in SPEEDS_MPS if speed <= limits.max_mps * of_speed]
    lines.append("    m/s    " + "".join(f"{speed:6.0f}" for speed in speeds))
    lines.append("    rev/s  " + "".join(f"{max_spin_at(machine, speed):6.0f}" for speed in speeds))
    lines.append(
        text(
            "check.angles",
            low_deg=machine.tilt.low_deg,
            high_deg=machine.tilt.high_deg,
            seconds=(machine.tilt.high_deg - machine.tilt.low_deg) / machine.tilt.slew_deg_per_s,
            pan=_span(machine.pan),
            roll=_span(machine.roll),
        )
    )
    if machine.tilt.by_time:
        often = (
            text("check.first-start")
            if machine.tilt.max_moves is None
            else text("check.every-moves", moves=machine.tilt.max_moves)
        )
        lines.append(text("check.stop-by-time", often=often))
    lines.append(
        text(
            "check.feeder",
            kind=feeder.kind,
            low=low,
            high_balls_per_min=feeder.high_balls_per_min,
            balls=machine.hopper.balls,
        )
    )
    if feeder.max_turns is not None:
        lines.append(text("check.by-time", max_turns=feeder.max_turns))
    seen = text("check.feedback") if machine.sensors.speed_feedback else text("check.no-feedback")
    exits = text("check.exit-sensor") if machine.sensors.exit_sensor else text("check.no-exit-sensor")
    lines.append(f"  {seen}; {exits}")
    return lines


def _ball_lines(balls: dict[str, BallType], machine: Machine, player: Player) -> list[str]:
    lines = [text("check.balls", balls=len(balls), machine=machine.name, player=_for(player))]
    for written in balls.values():
        ball = for_player(written, player)
        try:
            fit = fitted(ball, machine)
            check_ball(fit.ball, machine, player.profile, balls)
            ball, setting = fit.ball, setting_for(fit.ball, machine)
        except NotPossible as error:
            lines.append(text("check.not-here", name=ball.name, error=error))
        else:
            bent = f"{fit.text}; " if fit.text else ""
            lines.append(
                text(
                    "check.ball",
                    name=ball.name,
                    bent=bent,
                    top_rpm=setting.top_rpm,
                    bottom_rpm=setting.bottom_rpm,
                    tilt_deg=setting.tilt_deg,
                    turns=_turns(setting),
                )
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
    return text("check.player", limits=player.profile.text) if player.profile else ""


def drill_lines(drill: Drill, machine: Machine, folder: Path | None, player: Player = RIGHT_HANDED) -> list[str]:
    """Return a summary of a drill on a machine for a player; raise NotPossible if it can't run there."""
    plan = plan_drill(drill, load_balls(folder), machine, 0, player=player)
    lines = [
        text(
            "check.drill",
            drill=drill.name,
            title=drill.title,
            balls=plan.balls,
            machine=machine.name,
            player=_for(player),
        )
    ]
    lines += [f"  {note}" for note in plan.notes]
    for set_plan in plan.sets:
        rest = text("check.rest", rest_s=set_plan.rest_s) if set_plan.rest_s else text("check.rest-waits")
        tail = "" if set_plan is plan.sets[-1] else f", {rest}"
        title = f" ({set_plan.title})" if set_plan.title else ""
        lines.append(
            text(
                "check.set",
                number=set_plan.number,
                title=title,
                balls=len(set_plan.balls),
                tempo=set_plan.tempo_text(),
                tail=tail,
            )
        )
        if set_plan.crank_to_mark_before:
            lines.append(text("check.crank"))
        if set_plan.stretch:
            lines.append(f"    {set_plan.stretch.text}")
    return lines


def known_lines(path: Path, folder: Path | None) -> list[str]:
    """Return what isn't known exactly of a machine, what it costs its balls, and what to measure next."""
    machine, balls = load_machine(str(path)), load_balls(folder)
    guesses = guesses_of(machine, list(balls.values()), wheels_alike(read_toml(path)))
    if guesses is None and not machine.known:
        own = path not in shipped("machines").values()
        advice = text("check.improve", path=path) if own else ""
        return [
            text("check.values-unknown"),
            text("check.values-unknown-tilt", advice=advice),
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
    raise InvalidFile([FileError(name, "(name)", text("check.no-such-file"), text("check.file-or-name"))])


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
