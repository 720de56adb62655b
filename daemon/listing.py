"""Listings of drills, ball types and machines, with what this machine can do.

Rule of this file: what the machine can't throw, or the player may not get, is still listed, with the reason.
"""

from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from drillfeed.daemon.aim.likely import Likely, likely_balls
from drillfeed.daemon.aim.ranges import range_text
from drillfeed.daemon.aim.records import likely_record
from drillfeed.daemon.aim.report import extrapolated_text, spin_text
from drillfeed.daemon.aim.thrower import thrower_of
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.drill import Drill
from drillfeed.daemon.drills.players import RIGHT_HANDED, Player, for_player
from drillfeed.daemon.library.loading import known, load_balls, load_drill, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.allowed import check_ball
from drillfeed.daemon.planning.fitting import Fitted, fitted
from drillfeed.daemon.planning.plan import plan_drill
from drillfeed.daemon.planning.setting import NotPossible, Setting, bend_text, flight_for, setting_for, told
from drillfeed.daemon.validation import InvalidFile
from drillfeed.protocol.texts.catalogue import text

LIKELY_SEED = 1  # of the draws for the ranges, so that a machine always gets the same listing


@dataclass(frozen=True)
class Entry:
    """One line of a listing. If `possible` is False, `reason` says why.

    `likely` holds the ranges of a ball's figures by name. `extrapolated` tells whether the ball lies outside the
    measured flights. `fitted` says what was bent to fit the machine; None if nothing was. `trains` and `move_on` are a
    drill's own words; None if its file has none.
    """

    name: str
    title: str
    possible: bool
    reason: str | None
    detail: str
    likely: dict[str, Any] | None = None
    extrapolated: bool | None = None
    fitted: str | None = None
    trains: str | None = None
    move_on: str | None = None

    def line(self, width: int) -> str:
        """Return the entry as one line."""
        note = (
            text("list.not-here", reason=self.reason)
            if not self.possible
            else f"  {self.detail}"
            if self.detail
            else ""
        )
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
        except InvalidFile as error:
            yield Entry(name, "", False, _told(error), "")
        except NotPossible as error:
            yield Entry(name, drill.title, False, str(error), "", **_purpose(drill))
        else:
            tempo = ", ".join(dict.fromkeys(set_plan.tempo_text(0) for set_plan in plan.sets))
            figures = text("list.drill", level=drill.level, balls=plan.balls, tempo=tempo)
            yield Entry(name, drill.title, True, None, "; ".join([figures, *plan.notes]), **_purpose(drill))


def _purpose(drill: Drill) -> dict[str, Any]:
    return {"trains": drill.trains or None, "move_on": drill.move_on or None}


def _told(error: InvalidFile) -> str:
    """Return the first mistake without the folder of its file, since others than the owner may read a listing."""
    first = error.errors[0]
    return str(replace(first, file=Path(first.file).name))


def _balls(machine: Machine, folder: Path | None, player: Player) -> Iterable[Entry]:
    balls = load_balls(folder)
    entries: list[Entry | tuple[Fitted, Setting]] = []
    for written in balls.values():
        ball = for_player(written, player)
        try:
            fit = fitted(ball, machine)
            check_ball(fit.ball, machine, player.profile, balls)
            setting = setting_for(fit.ball, machine)
        except NotPossible as error:
            entries.append(Entry(ball.name, ball.title, False, str(error), _figures(ball)))
        else:
            entries.append((fit, setting))
    settings = [told(entry[0].ball, entry[1]) for entry in entries if not isinstance(entry, Entry)]
    likely = iter(likely_balls(thrower_of(machine), settings, np.random.default_rng(LIKELY_SEED)))
    for entry in entries:
        yield entry if isinstance(entry, Entry) else _ball(*entry, machine, next(likely))


def _ball(fit: Fitted, setting: Setting, machine: Machine, likely: Likely) -> Entry:
    """Return the line of a ball that the machine can throw."""
    ball = fit.ball
    rpm = text("list.wheels", top_rpm=setting.top_rpm, bottom_rpm=setting.bottom_rpm, tilt_deg=setting.tilt_deg)
    rpm += text("list.roll", roll_deg=setting.roll_deg) if setting.roll_deg else ""
    flight = flight_for(ball, machine)
    parts = [
        f"{_figures(ball, flight.depth_m, likely)} {rpm}",
        _at_the_bat(ball, machine, likely),
        bend_text(ball, machine),
        extrapolated_text(flight),
    ]
    detail = "; ".join(part for part in parts if part)
    ranges, bent = likely_record(likely), fit.text or None
    return Entry(ball.name, ball.title, True, None, detail, ranges, flight.extrapolated, bent)


def _figures(ball: BallType, depth_m: float | None = None, likely: Likely | None = None) -> str:
    """Return the figures of a ball type, and where it is likely to land on a machine."""
    place = (
        text("list.depth", length=ball.length or "", depth_cm=ball.depth_cm or 0).strip()
        if ball.tilt_deg is None
        else text("list.by-tilt")
    )
    if depth_m is not None:
        depth = range_text(likely, "depth_m", depth_m, 100.0)
        place += text("list.likely", depth=depth) if depth else ""
    return f"({ball.level}, {ball.speed_mps:g} m/s, {ball.spin_text}, {place})"


def _at_the_bat(ball: BallType, machine: Machine, likely: Likely) -> str:
    """Return what reaches the bat: speed and spin after the bounce, and the height over the net."""
    flight = flight_for(ball, machine)
    after, net_m = flight.landing, flight.net_clearance_m
    if after is None:
        return text("list.no-good", reason=flight.reason)
    over = ""
    if net_m is not None:
        ends = range_text(likely, "net_clearance_m", net_m, 100.0)
        over = text("list.over-net", over_cm=100 * net_m, range=text("list.likely-range", ends=ends) if ends else "")
    ends = range_text(likely, "spin_after_revps", after.spin_after_revps, signed=True)
    spin = spin_text(
        after.spin_after_revps, after.side_after_revps, text("list.likely-range", ends=ends) if ends else ""
    )
    return text("list.after-bounce", spin=spin, speed_after_mps=after.speed_after_mps, over=over)


def _machines() -> Iterable[Entry]:
    for name in known("machines"):
        try:
            machine = load_machine(name)
        except InvalidFile as error:
            yield Entry(name, "", False, _told(error), "")
        else:
            yield Entry(name, machine.title, True, None, "")


def listing(of: str, machine: Machine, folder: Path | None, player: Player = RIGHT_HANDED) -> list[Entry]:
    """Return the listing of `drills`, `balls` or `machines`; raise InvalidFile if a file of balls is wrong."""
    if of == "drills":
        return list(_drills(machine, folder, player))
    return list(_balls(machine, folder, player)) if of == "balls" else list(_machines())


def listing_lines(of: str, machine: Machine, folder: Path | None, player: Player = RIGHT_HANDED) -> list[str]:
    """Return the listing as lines for people."""
    entries = listing(of, machine, folder, player)
    width = max((len(entry.name) for entry in entries), default=0)
    return [entry.line(width) for entry in entries]
