"""What is known and what this machine can do with it: drills, ball types, machines.

Rule of this file: what a machine cannot do, or a player is not to get, is listed all the same, with the reason.
"""

from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from drillfeed.daemon.aim.telling import spin_text
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.sides import RIGHT_HANDED, Player, for_player
from drillfeed.daemon.library import known, load_balls, load_drill, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.mistakes import FileMistakes
from drillfeed.daemon.planning.allowed import check_ball
from drillfeed.daemon.planning.plan import plan_drill
from drillfeed.daemon.planning.setting import NotPossible, bend_text, flight_for, setting_for


@dataclass(frozen=True)
class Entry:
    """One line of a listing. `reason` says why not, where `possible` is False."""

    name: str
    title: str
    possible: bool
    reason: str | None
    detail: str

    def line(self, width: int) -> str:
        """Return the entry as one line."""
        note = f"  NOT HERE: {self.reason}" if not self.possible else f"  {self.detail}" if self.detail else ""
        return f"{self.name:<{width}}  {self.title}{note}"

    def as_json(self) -> dict[str, Any]:
        """Return the entry for a program."""
        return asdict(self)


def _drills(machine: Machine, folder: Path | None, player: Player) -> Iterable[Entry]:
    balls = load_balls(folder)
    for name in known("drills", folder):
        try:
            drill = load_drill(name, folder)
            plan = plan_drill(drill, balls, machine, 0, player=player)
        except FileMistakes as wrong:
            yield Entry(name, "", False, _told(wrong), "")
        except NotPossible as wrong:
            yield Entry(name, drill.title, False, str(wrong), "")
        else:
            tempo = ", ".join(dict.fromkeys(f"{60 / one.interval_s:.0f}" for one in plan.sets))
            figures = f"({drill.level}, {plan.balls} balls, {tempo}/min)"
            yield Entry(name, drill.title, True, None, "; ".join([figures, *plan.notes]))


def _told(wrong: FileMistakes) -> str:
    """Return the first mistake by the name of its file alone: a listing is also read by others than its owner."""
    first = wrong.mistakes[0]
    return str(replace(first, file=Path(first.file).name))


def _balls(machine: Machine, folder: Path | None, player: Player) -> Iterable[Entry]:
    balls = load_balls(folder)
    for written in balls.values():
        ball = for_player(written, player)
        place = f"{ball.length or ''} {ball.depth_cm or 0:g} cm deep".strip() if ball.tilt_deg is None else "by tilt"
        figures = f"({ball.level}, {ball.speed_mps:g} m/s, {ball.spin_text}, {place})"
        try:
            setting = setting_for(ball, machine)
            check_ball(ball, machine, player.profile, balls)
        except NotPossible as wrong:
            yield Entry(ball.name, ball.title, False, str(wrong), figures)
        else:
            rpm = f"top {setting.top_rpm:,.0f}, bottom {setting.bottom_rpm:,.0f} rpm, tilt {setting.tilt_deg:.1f}"
            rpm += f", roll {setting.roll_deg:+.1f}" if setting.roll_deg else ""
            told = [f"{figures} {rpm}", _at_the_bat(ball, machine), bend_text(ball, machine)]
            yield Entry(ball.name, ball.title, True, None, "; ".join(part for part in told if part))


def _at_the_bat(ball: BallType, machine: Machine) -> str:
    """Say what reaches the bat: speed and spin after the bounce, and how high the ball passes over the net."""
    flight = flight_for(ball, machine)
    if flight.landing is None:
        return f"no good: {flight.reason}"
    over = "" if flight.net_clearance_m is None else f", {100 * flight.net_clearance_m:.0f} cm over the net"
    after = flight.landing
    spin = spin_text(after.spin_after_revps, after.side_after_revps)
    return f"after the bounce {spin}, {after.speed_after_mps:.1f} m/s{over}"


def _machines() -> Iterable[Entry]:
    for name in known("machines"):
        try:
            machine = load_machine(name)
        except FileMistakes as wrong:
            yield Entry(name, "", False, _told(wrong), "")
        else:
            yield Entry(name, machine.title, True, None, "")


def listing(of: str, machine: Machine, folder: Path | None, player: Player = RIGHT_HANDED) -> list[Entry]:
    """Return the listing of `drills`, `balls` or `machines`; raises FileMistakes where ball files are broken."""
    if of == "drills":
        return list(_drills(machine, folder, player))
    return list(_balls(machine, folder, player)) if of == "balls" else list(_machines())


def listing_lines(of: str, machine: Machine, folder: Path | None, player: Player = RIGHT_HANDED) -> list[str]:
    """Return the listing as lines for people."""
    entries = listing(of, machine, folder, player)
    width = max((len(entry.name) for entry in entries), default=0)
    return [entry.line(width) for entry in entries]
