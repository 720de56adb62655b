"""The desk between the line server and the control loop: tokens to answers, drills to plans, events to notices.

Rule of this file: the desk never makes a stop wait. Reading files and planning happen on a thread of its own,
and only a finished, immutable plan goes to the control loop.
"""

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import count
from pathlib import Path

import structlog

from drillfeed.daemon.drills.bounds import HARD_MAX_BALLS, MIN_START_DELAY_S
from drillfeed.daemon.drills.drill import Drill, Set, with_balls
from drillfeed.daemon.drills.players import RIGHT_HANDED, Player
from drillfeed.daemon.drills.sides import Hand, split
from drillfeed.daemon.drills.written import FixedSequence
from drillfeed.daemon.engine.effects import Effects
from drillfeed.daemon.engine.events import Event
from drillfeed.daemon.engine.live_changes import based_on
from drillfeed.daemon.engine.player import CHOSEN_IN
from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.journal.entries import Ordered
from drillfeed.daemon.library import load_balls, load_drill
from drillfeed.daemon.listing import listing_lines
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.mistakes import FileMistakes
from drillfeed.daemon.planning.change import change_plan, turns_after
from drillfeed.daemon.planning.plan import DrillPlan, plan_drill
from drillfeed.daemon.planning.setting import NotPossible
from drillfeed.daemon.shell.control import ControlLoop
from drillfeed.daemon.shell.practice import Practice, ball_named
from drillfeed.daemon.shell.tellers import NoticeRing
from drillfeed.protocol.commands import COMMANDS, check_state, check_state_in, shown_line
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import Reply, done, refusal
from drillfeed.protocol.spec import Caller, Command
from drillfeed.protocol.status import Notice, Snapshot

ReplyTo = Callable[[Reply], None]
Record = Callable[[Event], None]
RecordCommand = Callable[[Ordered], None]
STOP = Command("stop", {})
ONE_BALL_PER_MIN = 20.0
TAKEN_S = 2.0


class Desk:
    """What clients talk to. `control` and `practice` are set once, before the first client."""

    control: ControlLoop
    practice: Practice | None = None

    def __init__(self, machine: Machine, drills: Path | None, new_seed: Callable[[], int]) -> None:
        self._machine, self._drills, self._new_seed = machine, drills, new_seed
        self._ring = NoticeRing()
        self._waiting: dict[int, ReplyTo] = {}
        self._tokens = count(1)
        self._planner = ThreadPoolExecutor(max_workers=1, thread_name_prefix="planner")
        self._log = structlog.get_logger("desk")
        self.notices_ready: Callable[[], None] = lambda: None
        self.record: Record = lambda event: None
        self.record_command: RecordCommand = lambda ordered: None
        self.clock: Callable[[], float] = time.monotonic

    def close(self) -> None:
        """Let no more plans be made."""
        self._planner.shutdown(wait=False, cancel_futures=True)

    # For the line server.

    def stop(self, caller: Caller, reply: ReplyTo) -> None:
        """Stop now."""
        self.control.stop(caller, self._token(self._recorded(STOP, caller, reply)))

    def submit(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        """Take a command; the answer comes from the control loop or from the planner's thread."""
        reply = self._recorded(command, caller, reply)
        answer = ANSWERED_HERE.get(command.verb)
        if answer is None:
            self.control.post(Request(command, caller, self._token(reply)))
        else:
            self._planner.submit(self._answered, command, reply, lambda: answer(self, command, caller, reply))

    def note(self, command: Command, caller: Caller, reply: Reply) -> None:
        """Record a command that was answered, or refused, before it came here."""
        if COMMANDS[command.verb].recorded:
            self.record_command(Ordered(self.clock(), shown_line(command), caller, reply.code))

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
            # Noted before it is told, so that nobody knows of a throw that a kill could still lose.
            for event in effects.events:
                self.record(event)
            self._ring.add(effects.events)
            self.notices_ready()

    def aside(self, work: Callable[[], object]) -> None:
        """Have some work done on the planner's thread, after what waits there."""
        self._planner.submit(work)

    # On the planner's thread.

    def _recorded(self, command: Command, caller: Caller, reply: ReplyTo) -> ReplyTo:
        """Return a reply that also records the command, who gave it, and what it was answered."""
        if not COMMANDS[command.verb].recorded:
            return reply
        line, at_s = shown_line(command), self.clock()

        def answer(one: Reply) -> None:
            reply(one)
            self.record_command(Ordered(at_s, line, caller, one.code))

        return answer

    def _token(self, reply: ReplyTo) -> int:
        token = next(self._tokens)
        self._waiting[token] = reply
        return token

    def _answered(self, command: Command, reply: ReplyTo, work: Callable[[], None]) -> None:
        """Run `work`; whatever goes wrong in it, the client gets an answer."""
        verb = command.verb
        try:
            check_state(command, self.control.snapshot.state)
            work()
        except Refused as refused:
            reply(refusal(verb, refused))
        except FileMistakes as wrong:
            reply(refusal(verb, _file_refusal(wrong)))
        except NotPossible as wrong:
            reply(refusal(verb, Refused("not-possible", str(wrong), do=wrong.do)))
        except Exception:
            self._log.exception("mistake while planning")
            reply(refusal(verb, Refused("internal", "drillfeed made a mistake; see its log")))

    def _list(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        player = self._player(command)
        lines = listing_lines(str(command.values["of"]), self._trimmed_machine, self._drills, player)
        whose = f", for {player.profile.owner}" if player.profile else ""
        reply(done("list", f"{len(lines)} {command.values['of']}{whose}", tuple(lines)))

    def _load(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        drill = load_drill(str(command.values["name"]), self._drills)
        seed = int(command.values.get("seed", self._new_seed()))
        balls = int(command.values["balls"]) if "balls" in command.values else None
        turns = turns_after(self.control.engine.parts.practice.plan) if command.verb == "queue" else None
        plan = self.plan(drill, seed, balls, self._player(command), turns)
        self.control.post(Request(command, caller, self._token(_with_data(reply, plan)), plan))

    def _change(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        """Plan a change on top of the newest plan, and wait until it is taken, so that two calls make two steps."""
        base = based_on(self.control.engine.parts, command.verb)
        plan = None
        if base is not None:
            swap = (str(command.values["ball"]), str(command.values["to"])) if command.verb == "swap" else None
            plan = change_plan(base, command.verb, load_balls(self._drills), self._trimmed_machine, swap)
        self._wait_for(Request(command, caller, 0, plan, base), reply if plan is None else _with_data(reply, plan))

    def _wait_for(self, request: Request, reply: ReplyTo) -> None:
        """Have the control loop carry it out before what waits on this thread goes on."""
        answered = threading.Event()

        def answer(one: Reply) -> None:
            try:
                reply(one)
            finally:
                answered.set()

        self.control.post(replace(request, token=self._token(answer)))
        answered.wait(TAKEN_S)

    def _player(self, command: Command) -> Player:
        """Return who the sides are meant for: as the command says, else who plays, else a right-handed player."""
        known = self.practice.at_the_table if self.practice is not None else RIGHT_HANDED
        hand: Hand = "left" if command.values.get("hand", known.hand) == "left" else "right"
        return replace(known, hand=hand, elbow_cm=float(command.values.get("elbow", known.elbow_cm)))

    def _throw(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        mention = str(command.values["ball"])
        name, side = split(mention)
        ball = ball_named(name if side is not None else mention, load_balls(self._drills))
        feeder = self._machine.feeder
        drill = Drill(
            name="one-ball",
            title=f"one ball: {ball.title}"[:120],
            level=ball.level,
            tempo_per_min=min(max(ONE_BALL_PER_MIN, feeder.low_balls_per_min), feeder.high_balls_per_min),
            start_delay_s=MIN_START_DELAY_S,
            set=(Set(balls=1, sequence=FixedSequence(kind="fixed", balls=(mention,))),),
        )
        plan = self.plan(drill, 0, player=self._player(command))
        self.control.post(Request(command, caller, self._token(_with_data(reply, plan)), plan))

    def _players(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        practice = self._kept_practice()
        if command.values.get("action") != "choose":
            reply(practice.players(command))
            return
        check_state_in("players choose", self.control.snapshot.state, CHOSEN_IN)
        player = practice.to_choose(command)

        def answer(one: Reply) -> None:
            if one.ok:
                practice.take(player)
            reply(one)

        self._wait_for(Request(command, caller, 0, player=practice.plays(player)), answer)

    def _history(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        reply(self._kept_practice().history())

    def _trim(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        reply(self._kept_practice().trim(command, load_balls(self._drills)))

    def _kept_practice(self) -> Practice:
        if self.practice is None:
            raise Refused("not-recorded", "this daemon keeps no journal")
        return self.practice

    @property
    def _trimmed_machine(self) -> Machine:
        return self.practice.machine if self.practice is not None else self._machine

    def plan(
        self, drill: Drill, seed: int, balls: int | None = None, player: Player = RIGHT_HANDED, turns: int | None = None
    ) -> DrillPlan:
        """Return the plan of a drill on this machine; raise Refused, FileMistakes or NotPossible."""
        if balls is not None and balls > HARD_MAX_BALLS:
            raise Refused(
                "bounds", "too many balls for one run", expected=f"{HARD_MAX_BALLS} at most", found=f"{balls}"
            )
        drill = with_balls(drill, balls) if balls is not None else drill
        turns = self.control.engine.parts.feeder.crank_turns if turns is None else turns
        return plan_drill(drill, load_balls(self._drills), self._trimmed_machine, seed, turns or 0, player)


# What is answered here, or planned here before the control loop carries it out.
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
    lines = tuple(dict.fromkeys((*plan.notes, *(one.stretch.text for one in plan.sets if one.stretch))))
    return lambda answer: reply(replace(answer, data=lines) if answer.ok else answer)


def _file_refusal(wrong: FileMistakes) -> Refused:
    first = wrong.mistakes[0]
    if first.key == "(name)":
        return Refused("unknown-name", f"{first.file}: {first.found}", expected=first.allowed)
    more = f" (and {len(wrong.mistakes) - 1} more)" if len(wrong.mistakes) > 1 else ""
    return Refused("bad-file", f"{first}{more}", do=f"drillfeed check {first.file}")
