"""What is known and what this machine can do with it: drills, ball types, machines.

Rule of this file: what a machine cannot do, or a player is not to get, is listed all the same, with the reason.
"""

from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from drillfeed.daemon.aim.likely import Likely, likely_balls
from drillfeed.daemon.aim.ranges import range_text
from drillfeed.daemon.aim.report import extrapolated_text, likely_record, spin_text
from drillfeed.daemon.aim.thrower import thrower_of
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.players import RIGHT_HANDED, Player, for_player
from drillfeed.daemon.library import known, load_balls, load_drill, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.allowed import check_ball
from drillfeed.daemon.planning.plan import plan_drill
from drillfeed.daemon.planning.setting import NotPossible, Setting, bend_text, flight_for, setting_for, told
from drillfeed.daemon.validation import InvalidFile

LIKELY_SEED = 1  # of the draws behind the ranges: the same machine, the same listing


@dataclass(frozen=True)
class Entry:
    """One line of a listing. `reason` says why not, where `possible` is False.

    `likely` holds the ranges of a ball's figures by name, `extrapolated` whether it lies beyond the measured flights.
    """

    name: str
    title: str
    possible: bool
    reason: str | None
    detail: str
    likely: dict[str, Any] | None = None
    extrapolated: bool | None = None

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
        except InvalidFile as wrong:
            yield Entry(name, "", False, _told(wrong), "")
        except NotPossible as wrong:
            yield Entry(name, drill.title, False, str(wrong), "")
        else:
            tempo = ", ".join(dict.fromkeys(f"{60 / one.interval_s:.0f}" for one in plan.sets))
            figures = f"({drill.level}, {plan.balls} balls, {tempo}/min)"
            yield Entry(name, drill.title, True, None, "; ".join([figures, *plan.notes]))


def _told(wrong: InvalidFile) -> str:
    """Return the first mistake by the name of its file alone: a listing is also read by others than its owner."""
    first = wrong.errors[0]
    return str(replace(first, file=Path(first.file).name))


def _balls(machine: Machine, folder: Path | None, player: Player) -> Iterable[Entry]:
    balls = load_balls(folder)
    entries: list[Entry | tuple[BallType, Setting]] = []
    for written in balls.values():
        ball = for_player(written, player)
        try:
            setting = setting_for(ball, machine)
            check_ball(ball, machine, player.profile, balls)
        except NotPossible as wrong:
            entries.append(Entry(ball.name, ball.title, False, str(wrong), _figures(ball)))
        else:
            entries.append((ball, setting))
    settings = [told(*one) for one in entries if not isinstance(one, Entry)]
    likely = iter(likely_balls(thrower_of(machine), settings, np.random.default_rng(LIKELY_SEED)))
    for one in entries:
        yield one if isinstance(one, Entry) else _ball(*one, machine, next(likely))


def _ball(ball: BallType, setting: Setting, machine: Machine, likely: Likely) -> Entry:
    """Return the line of a ball that the machine can throw."""
    rpm = f"top {setting.top_rpm:,.0f}, bottom {setting.bottom_rpm:,.0f} rpm, tilt {setting.tilt_deg:.1f}"
    rpm += f", roll {setting.roll_deg:+.1f}" if setting.roll_deg else ""
    flight = flight_for(ball, machine)
    parts = [
        f"{_figures(ball, flight.depth_m, likely)} {rpm}",
        _at_the_bat(ball, machine, likely),
        bend_text(ball, machine),
        extrapolated_text(flight),
    ]
    detail = "; ".join(part for part in parts if part)
    return Entry(ball.name, ball.title, True, None, detail, likely_record(likely), flight.extrapolated)


def _figures(ball: BallType, depth_m: float | None = None, likely: Likely | None = None) -> str:
    """Return what a ball type asks for, and where it likely comes down on a machine."""
    place = f"{ball.length or ''} {ball.depth_cm or 0:g} cm deep".strip() if ball.tilt_deg is None else "by tilt"
    if depth_m is not None:
        depth = range_text(likely, "depth_m", depth_m, 100.0)
        place += f", likely {depth}" if depth else ""
    return f"({ball.level}, {ball.speed_mps:g} m/s, {ball.spin_text}, {place})"


def _at_the_bat(ball: BallType, machine: Machine, likely: Likely) -> str:
    """Say what reaches the bat: speed and spin after the bounce, and how high the ball passes over the net."""
    flight = flight_for(ball, machine)
    after, net_m = flight.landing, flight.net_clearance_m
    if after is None:
        return f"no good: {flight.reason}"
    over = ""
    if net_m is not None:
        ends = range_text(likely, "net_clearance_m", net_m, 100.0)
        over = f", {100 * net_m:.0f} cm over the net{f' (likely {ends})' if ends else ''}"
    ends = range_text(likely, "spin_after_revps", after.spin_after_revps, signed=True)
    spin = spin_text(after.spin_after_revps, after.side_after_revps, f" (likely {ends})" if ends else "")
    return f"after the bounce {spin}, {after.speed_after_mps:.1f} m/s{over}"


def _machines() -> Iterable[Entry]:
    for name in known("machines"):
        try:
            machine = load_machine(name)
        except InvalidFile as wrong:
            yield Entry(name, "", False, _told(wrong), "")
        else:
            yield Entry(name, machine.title, True, None, "")


def listing(of: str, machine: Machine, folder: Path | None, player: Player = RIGHT_HANDED) -> list[Entry]:
    """Return the listing of `drills`, `balls` or `machines`; raises InvalidFile where ball files are broken."""
    if of == "drills":
        return list(_drills(machine, folder, player))
    return list(_balls(machine, folder, player)) if of == "balls" else list(_machines())


def listing_lines(of: str, machine: Machine, folder: Path | None, player: Player = RIGHT_HANDED) -> list[str]:
    """Return the listing as lines for people."""
    entries = listing(of, machine, folder, player)
    width = max((len(entry.name) for entry in entries), default=0)
    return [entry.line(width) for entry in entries]
