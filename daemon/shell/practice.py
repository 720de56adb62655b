"""Commands about the practice that need no machine: players, trims, what was practised today.

Rule of this file: this code runs on the desk's own thread, where a slow disk delays no ball. The chosen player is not
kept across restarts, so that one player's balls are not counted as another's tomorrow.
"""

import time
from collections.abc import Callable, Mapping
from concurrent.futures import TimeoutError as Late
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from sqlite3 import Connection
from typing import TypeVar

from drillfeed.daemon.calibration import Trim, Trims
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.players import RIGHT_HANDED
from drillfeed.daemon.drills.players import Player as AtTable
from drillfeed.daemon.drills.profiles import HOUSE_PROFILES, Profiles
from drillfeed.daemon.drills.sides import ELBOW_CM, Hand
from drillfeed.daemon.engine.request import ChosenPlayer
from drillfeed.daemon.journal import reading
from drillfeed.daemon.journal.entries import PlayerEntry
from drillfeed.daemon.journal.limits import Limits, warnings_of
from drillfeed.daemon.journal.players import Player, add_player, all_players, find_player
from drillfeed.daemon.journal.report import today_lines
from drillfeed.daemon.journal.writer import Journal, NotRecorded
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.fitting import fitted
from drillfeed.daemon.planning.setting import flight_for, setting_for
from drillfeed.daemon.shell.plans import ball_named
from drillfeed.daemon.shell.trims import keep_trims
from drillfeed.protocol.errors import refuse
from drillfeed.protocol.lines import Reply, done
from drillfeed.protocol.spec import Command
from drillfeed.protocol.texts.catalogue import text

ANSWER_S = 2.0
MAX_TRIM_CM = 40.0  # as much as a trim file may hold
WAYS: Mapping[str, tuple[int, int]] = {"long": (1, 0), "short": (-1, 0), "left": (0, 1), "right": (0, -1)}
"""How each way moves the landing: longer, and further to the thrower's left."""
_Answer = TypeVar("_Answer")


@dataclass
class Practice:
    """The journal and the folder behind the commands; `player` is who plays, with the data of when they were chosen."""

    machine: Machine
    folder: Path
    journal: Journal
    limits: Limits
    profiles: Profiles = HOUSE_PROFILES
    player: Player | None = None
    clock: Callable[[], float] = time.monotonic
    today: Callable[[], datetime] = datetime.now
    notes: tuple[str, ...] = ()
    """Which files were set aside at the start."""

    def players(self, command: Command) -> Reply:
        """List the players or add a player; `to_choose` and `take` choose who plays."""
        values = command.values
        action, name = values.get("action", "list"), str(values.get("name", ""))
        if action == "add":
            return self._add(command, name)
        self._no_more_words(command, not name)
        known = self._ask(all_players)
        lines = [f"{_told(player)}{self._plays(player)}" for player in known]
        return done("players", f"{text('count.players', count=len(known))}; {self._who()}", tuple(lines))

    def _add(self, command: Command, name: str) -> Reply:
        if not name:
            raise refuse("practice.no-name")
        hand, level = (None if key not in command.values else str(command.values[key]) for key in ("hand", "level"))
        elbow_cm = float(command.values["elbow"]) if "elbow" in command.values else None
        at = self.today().timestamp()
        player = self._ask(lambda connection: add_player(connection, name, hand, level, at, elbow_cm))
        return done("players", text("practice.player-added", player=_told(player), name=name))

    def _no_more_words(self, command: Command, fits: bool = True) -> None:
        if not fits or set(command.values) & {"hand", "level", "elbow"}:
            action = command.values.get("action", "list")
            raise refuse("practice.no-more-words", action=action)

    def to_choose(self, command: Command) -> Player | None:
        """Return who is to play; None for nobody in particular. Raises Refused if no player has that name."""
        self._no_more_words(command)
        name = str(command.values.get("name", ""))
        return self._ask(lambda connection: find_player(connection, name)) if name else None

    def plays(self, player: Player | None) -> ChosenPlayer | None:
        """Return the name of a player and the limits that come with the level."""
        return None if player is None else ChosenPlayer(player.name, self.profiles.of(player.level))

    def take(self, player: Player | None) -> None:
        """Set who plays after the engine took the limits; called from the control loop, so it only takes a note."""
        self.player = player
        self.journal.note(PlayerEntry(self.clock(), player.id if player else None, player.level if player else None))

    @property
    def at_the_table(self) -> AtTable:
        """Return what plans need to know of the player: hand, elbow and limits."""
        player = self.player
        if player is None:
            return RIGHT_HANDED
        hand: Hand = "left" if player.hand == "left" else "right"
        elbow_cm = ELBOW_CM if player.elbow_cm is None else player.elbow_cm
        return AtTable(hand, elbow_cm, self.profiles.of(player.level))

    def _plays(self, player: Player) -> str:
        if self.player is None or self.player.id != player.id:
            return ""
        return (
            text("practice.plays")
            if self.player == player
            else text("practice.plays-as-chosen", player=_told(self.player).partition(": ")[2])
        )

    def _who(self) -> str:
        return text("practice.who-plays", name=self.player.name) if self.player else text("practice.nobody-plays")

    def history(self) -> Reply:
        """Tell what was practised today."""
        now = self.today()
        midnight = now.replace(hour=0, minute=0, second=0, microsecond=0).timestamp()
        found = self._ask(
            lambda connection: (
                [session for session in reading.sessions(connection, since=midnight) if session.sets],
                reading.loads(connection, now),
                reading.shares(connection, [s for s in reading.all_sets(connection) if s.began_at >= midnight]),
            )
        )
        return done(
            "history",
            text("history.today", sessions=text("count.sessions", count=len(found[0]))),
            tuple(today_lines(*found, self.limits)),
        )

    def trim(self, command: Command, balls: Mapping[str, BallType]) -> Reply:
        """Tell or change how much longer, or further to a side, a ball type lands."""
        name = str(command.values["ball"])
        ball, way, by = ball_named(name, balls), command.values.get("way"), command.values.get("by")
        was = self.machine.trims.of(name)
        if way is None:
            return done("trim", text("practice.trim", name=name, lands=_lands(was), machine=self.machine.name))
        if (way == "off") == (by is not None):
            raise refuse("practice.trim-way")
        _look_at_way(str(way), ball, self.machine)
        now = Trim(ball=name) if way == "off" else _moved(was, str(way), float(by or 0.0))
        trims = self.machine.trims.with_trim(now)
        changed = self.machine.model_copy(update={"trims": trims})
        thrown = fitted(ball, changed).ball
        depth_m = flight_for(thrown, changed).depth_m
        setting_for(thrown, changed)
        self._keep(trims)
        self.machine = changed
        model = text("practice.by-the-model", depth_cm=100 * depth_m) if depth_m is not None else ""
        return done("trim", text("practice.trimmed", name=name, lands=_lands(now), model=model))

    def _keep(self, trims: Trims) -> None:
        try:
            keep_trims(self.folder, self.machine.name, trims)
        except OSError as error:
            raise refuse("practice.trim-not-kept", why=error.strerror or error) from error

    def warnings(self) -> tuple[str, ...]:
        """Tell what was set aside at the start, what is not recorded, and who has had many balls this day or week."""
        return (*self.notes, *self.journal.warnings(), *warnings_of(self.journal.loads, self.limits))

    def _ask(self, question: Callable[[Connection], _Answer]) -> _Answer:
        try:
            return self.journal.ask(question).result(ANSWER_S)
        except (TypeError, ValueError, OverflowError, KeyError) as error:
            # A time outside the calendar, or text in place of a number: drillfeed never writes such a row.
            raise refuse("practice.journal-makes-no-sense", error=error) from None
        except (NotRecorded, Late) as error:
            raise refuse("practice.journal-unusable", why=error or text("practice.no-answer")) from None


def _look_at_way(way: str, ball: BallType, machine: Machine) -> None:
    """Raise Refused if a machine cannot move a ball's landing that way."""
    if way in ("left", "right") and machine.pan is None:
        raise refuse("practice.along-only", machine=machine.name, ball=ball.name, way=way)
    if way in ("long", "short") and ball.tilt_deg is not None:
        raise refuse("practice.by-tilt", ball=ball.name)


def _moved(was: Trim, way: str, by_cm: float) -> Trim:
    """Return a trim moved by `by_cm`; raise Refused if that is more than a trim file may hold."""
    longer, leftward = WAYS[way]
    long_cm, left_cm = round(was.long_cm + longer * by_cm, 1), round(was.left_cm + leftward * by_cm, 1)
    moved_cm = long_cm if longer else left_cm
    if abs(moved_cm) > MAX_TRIM_CM:
        raise refuse("practice.trim-too-much", max_cm=MAX_TRIM_CM, moved_cm=moved_cm)
    return Trim(ball=was.ball, long_cm=long_cm, left_cm=left_cm)


def _told(player: Player) -> str:
    elbow = "" if player.elbow_cm is None else text("practice.elbow", elbow_cm=player.elbow_cm)
    return text("practice.player", name=player.name, hand=player.hand, level=player.level, elbow=elbow)


def _lands(trim: Trim) -> str:
    along, aside = trim.long_cm, trim.left_cm
    parts = [
        text(
            "practice.along",
            along_cm=abs(along),
            way=text("practice.longer") if along > 0 else text("practice.shorter"),
        )
    ] * bool(along)
    parts += [
        text("practice.aside", aside_cm=abs(aside), way=text("practice.left") if aside > 0 else text("practice.right"))
    ] * bool(aside)
    return text("practice.lands", parts=text("practice.and").join(parts)) if parts else text("practice.not-trimmed")
