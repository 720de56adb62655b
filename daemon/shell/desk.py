"""The desk between the line server and the control loop: tokens to answers, drills to plans, events to notices.

Rule of this file: the desk never makes a stop wait, nor the end of the daemon. The planner, a process of its own that
can be given up, reads files and makes plans. A thread waits for it, and only a finished, immutable plan goes to the
control loop. The desk takes a path only from somebody at the machine.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import count
from pathlib import Path

import structlog

from drillfeed.daemon.drills.bounds import HARD_MAX_BALLS
from drillfeed.daemon.drills.players import RIGHT_HANDED, Player
from drillfeed.daemon.drills.sides import Hand
from drillfeed.daemon.engine.effects import Effects
from drillfeed.daemon.engine.events import Event
from drillfeed.daemon.engine.live_changes import based_on
from drillfeed.daemon.engine.player import CHOSEN_IN
from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.journal.entries import CommandEntry
from drillfeed.daemon.library.loading import is_path
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.change import turns_after
from drillfeed.daemon.planning.plan import DrillPlan
from drillfeed.daemon.planning.setting import NotPossible
from drillfeed.daemon.shell import plans
from drillfeed.daemon.shell.aside import Aside
from drillfeed.daemon.shell.control import ControlLoop
from drillfeed.daemon.shell.planner import InPlace, Planner
from drillfeed.daemon.shell.practice import Practice
from drillfeed.daemon.shell.tellers import NoticeRing
from drillfeed.daemon.validation import InvalidFile
from drillfeed.protocol.commands import COMMANDS, check_state, check_state_in, shown_line
from drillfeed.protocol.errors import Refused, refuse
from drillfeed.protocol.lines import Reply, done, refusal
from drillfeed.protocol.spec import Caller, Command
from drillfeed.protocol.status import Notice, Snapshot
from drillfeed.protocol.texts.catalogue import text

ReplyTo = Callable[[Reply], None]
Record = Callable[[Event], None]
RecordCommand = Callable[[CommandEntry], None]
STOP = Command("stop", {})
TAKEN_S = 2.0
END_S = 1.0


class Desk:
    """What clients talk to. `control` and `practice` are set once, before the first client."""

    control: ControlLoop
    practice: Practice | None = None

    def __init__(
        self, machine: Machine, drills: Path | None, new_seed: Callable[[], int], planner: Planner | None = None
    ) -> None:
        self._machine, self._drills, self._new_seed = machine, drills, new_seed
        self._planner: Planner = planner or InPlace()
        self._ring = NoticeRing()
        self._waiting: dict[int, ReplyTo] = {}
        self._tokens = count(1)
        self._aside = Aside("desk")
        self._log = structlog.get_logger("desk")
        self.notices_ready: Callable[[], None] = lambda: None
        self.record: Record = lambda event: None
        self.record_command: RecordCommand = lambda ordered: None
        self.clock: Callable[[], float] = time.monotonic

    def close(self) -> None:
        """End planning without waiting for it; what still has to be written down may take a second."""
        self._planner.close()
        self._aside.end(END_S)

    # For the line server.

    def stop(self, caller: Caller, reply: ReplyTo) -> None:
        """Stop now."""
        self.control.stop(caller, self._token(self._recorded(STOP, caller, reply)))

    def submit(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        """Take a command; the answer comes from the control loop or from the desk's own thread."""
        reply = self._recorded(command, caller, reply)
        answer = ANSWERED_HERE.get(command.verb)
        if answer is None:
            self.control.post(Request(command, caller, self._token(reply)))
        else:
            self._aside.submit(
                lambda: self._answered(command, caller, reply, lambda: answer(self, command, caller, reply))
            )

    def note(self, command: Command, caller: Caller, reply: Reply) -> None:
        """Record a command that was answered, or refused, before it came here."""
        if COMMANDS[command.verb].recorded:
            self.record_command(CommandEntry(self.clock(), shown_line(command), caller, reply.code))

    def snapshot(self) -> Snapshot:
        """Return the state of the last tick, who plays, and what the journal warns of."""
        snapshot = self.control.snapshot
        if self.practice is None:
            return snapshot
        player = self.practice.player.name if self.practice.player else None
        warnings = (*snapshot.warnings, *self.practice.warnings())
        return snapshot.model_copy(update={"player": player, "warnings": warnings})

    def notices_since(self, serial: int) -> tuple[list[Notice], int]:
        """Return the notices after `serial`, and how many were missed."""
        return self._ring.since(serial)

    # For the control loop.

    def deliver(self, effects: Effects) -> None:
        """Pass on answers and events; called from the control loop, so it only hands over."""
        for token, reply in effects.replies:
            reply_to = self._waiting.pop(token, None)
            if reply_to is not None:
                reply_to(reply)
        if effects.events:
            # Record events before telling them, so that no client knows of a throw that a kill could still lose.
            for event in effects.events:
                self.record(event)
            self._ring.add(effects.events)
            self.notices_ready()

    def aside(self, work: Callable[[], object]) -> None:
        """Do `work` on the desk's thread, after the work that waits there."""
        self._aside.submit(work)

    # On the desk's thread.

    def _recorded(self, command: Command, caller: Caller, reply: ReplyTo) -> ReplyTo:
        """Return a reply that also records the command, who gave it, and what it was answered."""
        if not COMMANDS[command.verb].recorded:
            return reply
        line, at_s = shown_line(command), self.clock()

        def answer(answered: Reply) -> None:
            reply(answered)
            self.record_command(CommandEntry(at_s, line, caller, answered.code))

        return answer

    def _token(self, reply: ReplyTo) -> int:
        token = next(self._tokens)
        self._waiting[token] = reply
        return token

    def _answered(self, command: Command, caller: Caller, reply: ReplyTo, work: Callable[[], None]) -> None:
        """Run `work`; the client gets an answer even if the work fails."""
        verb = command.verb
        try:
            check_state(command, self.control.snapshot.state)
            work()
        except Refused as refused:
            reply(refusal(verb, refused))
        except InvalidFile as error:
            reply(refusal(verb, _file_refusal(error, command, caller)))
        except NotPossible as error:
            reply(refusal(verb, Refused("not-possible", str(error), do=error.do)))
        except Exception:
            self._log.exception("mistake while planning")
            reply(refusal(verb, refuse("desk.mistake")))

    def _list(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        player = self._player(command)
        lines = self._planner.ask(plans.listed, self._house(player), str(command.values["of"]))
        whose = text("desk.for-player", owner=player.profile.owner) if player.profile else ""
        reply(done("list", f"{len(lines)} {command.values['of']}{whose}", tuple(lines)))

    def _load(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        name = str(command.values["name"])
        if is_path(name) and not caller.here:
            raise refuse("desk.path")
        seed = int(command.values.get("seed", self._new_seed()))
        balls = int(command.values["balls"]) if "balls" in command.values else None
        if balls is not None and balls > HARD_MAX_BALLS:
            raise refuse("desk.too-many-balls", max_balls=HARD_MAX_BALLS, balls=balls)
        parts = self.control.engine.parts
        turns = turns_after(parts.practice.plan) if command.verb == "queue" else parts.feeder.crank_turns
        house = self._house(self._player(command))
        plan = self._planner.ask(plans.drill_plan, house, name, seed, balls, turns or 0)
        self.control.post(Request(command, caller, self._token(_with_data(reply, plan)), plan))

    def _change(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        """Plan a change on top of the newest plan and wait until it is taken, so that two changes make two steps."""
        base = based_on(self.control.engine.parts, command.verb)
        plan = None
        if base is not None:
            swap = (str(command.values["ball"]), str(command.values["to"])) if command.verb == "swap" else None
            plan = self._planner.ask(plans.changed_plan, self._house(RIGHT_HANDED), base, command.verb, swap)
        self._wait_for(Request(command, caller, 0, plan, base), reply if plan is None else _with_data(reply, plan))

    def _wait_for(self, request: Request, reply: ReplyTo) -> None:
        """Give the control loop a request and wait, so that it is carried out before later work on this thread."""
        answered = threading.Event()

        def answer(given: Reply) -> None:
            try:
                reply(given)
            finally:
                answered.set()

        self.control.post(replace(request, token=self._token(answer)))
        answered.wait(TAKEN_S)

    def _player(self, command: Command) -> Player:
        """Return the player for whom sides are meant: from the command, else who plays, else a right-handed one."""
        known = self.practice.at_the_table if self.practice is not None else RIGHT_HANDED
        hand: Hand = "left" if command.values.get("hand", known.hand) == "left" else "right"
        return replace(known, hand=hand, elbow_cm=float(command.values.get("elbow", known.elbow_cm)))

    def _throw(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        house, turns = self._house(self._player(command)), self.control.engine.parts.feeder.crank_turns
        plan = self._planner.ask(plans.one_ball_plan, house, str(command.values["ball"]), turns or 0)
        self.control.post(Request(command, caller, self._token(_with_data(reply, plan)), plan))

    def _players(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        practice = self._kept_practice()
        if command.values.get("action") != "choose":
            reply(practice.players(command))
            return
        check_state_in("players choose", self.control.snapshot.state, CHOSEN_IN)
        player = practice.to_choose(command)

        def answer(answered: Reply) -> None:
            if answered.ok:
                practice.take(player)
            reply(answered)

        self._wait_for(Request(command, caller, 0, player=practice.plays(player)), answer)

    def _history(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        reply(self._kept_practice().history())

    def _trim(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        reply(self._kept_practice().trim(command, self._planner.ask(plans.ball_types, self._house(RIGHT_HANDED))))

    def _kept_practice(self) -> Practice:
        if self.practice is None:
            raise refuse("desk.no-journal")
        return self.practice

    def _house(self, player: Player) -> plans.House:
        """Return what every plan is made with, for a player."""
        machine = self.practice.machine if self.practice is not None else self._machine
        return plans.House(machine, self._drills, player)


# Commands that the desk answers, or plans before the control loop carries them out.
ANSWERED_HERE: dict[str, Callable[[Desk, Command, Caller, ReplyTo], None]] = {
    "load": Desk._load,
    "queue": Desk._load,
    **dict.fromkeys(("easier", "harder", "slower", "faster", "swap"), Desk._change),
    "throw": Desk._throw,
    "list": Desk._list,
    "players": Desk._players,
    "history": Desk._history,
    "trim": Desk._trim,
}


def _with_data(reply: ReplyTo, plan: DrillPlan) -> ReplyTo:
    """Return a reply that also tells how a plan differs from what its drill says."""
    lines = tuple(dict.fromkeys((*plan.notes, *(planned.stretch.text for planned in plan.sets if planned.stretch))))
    return lambda answer: reply(replace(answer, data=lines) if answer.ok else answer)


def _file_refusal(error: InvalidFile, command: Command, caller: Caller) -> Refused:
    """Return the refusal of a name or file; only the owner learns whether anything exists at a path."""
    first = error.errors[0]
    if first.key == "(name)":
        return refuse("desk.unknown", file=first.file, found=first.found, allowed=first.allowed)
    if first.key == "(file)" and caller.role != "owner" and is_path(str(command.values.get("name", ""))):
        return refuse("desk.not-a-drill", file=first.file)
    if not caller.here:
        first = replace(first, file=Path(first.file).name)
    more = text("desk.more-mistakes", mistakes=len(error.errors) - 1) if len(error.errors) > 1 else ""
    return refuse("desk.bad-file", first=first, more=more, file=first.file)
