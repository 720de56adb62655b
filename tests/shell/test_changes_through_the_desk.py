"""The shipped desk and the shipped engine: a line to load, change or queue becomes a plan, and the plan is taken."""

from pathlib import Path
from queue import Queue

import pytest

from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.daemon.journal.limits import Limits
from drillfeed.daemon.journal.writer import Journal
from drillfeed.daemon.shell.desk import Desk
from drillfeed.daemon.shell.practice import Practice
from drillfeed.daemon.simulation import Simulation
from drillfeed.protocol.commands import parse
from drillfeed.protocol.lines import Reply
from drillfeed.protocol.spec import Caller
from drillfeed.protocol.status import Snapshot
from tests.support.halls import machine

COACH = Caller("coach", "coach", "elsewhere")
WAIT_S = 10.0


class HallControl:
    """What the desk sees of a control loop: it takes commands, and a hall's engine carries them out."""

    def __init__(self, hall: Simulation, desk: Desk) -> None:
        self.hall, self.engine, self.desk = hall, hall.engine, desk

    @property
    def snapshot(self) -> Snapshot:
        return snapshot(self.engine.parts, self.hall.now_s)

    def post(self, request: Request) -> None:
        self.engine.command(request, self.hall.now_s)
        effects = self.engine.take_effects()
        self.hall.events += effects.events
        self.desk.deliver(effects)


class Hall:
    """A hall with a desk before it, on a machine."""

    def __init__(self, on: str = "club-build", drills: Path | None = None) -> None:
        self.hall = Simulation(machine(on))
        assert self.hall.until_state("IDLE")
        self.desk = Desk(machine(on), drills, lambda: 5)
        self.desk.control = HallControl(self.hall, self.desk)  # type: ignore[assignment]

    def ask(self, *lines: str) -> list[Reply]:
        """Give lines all at once and wait for their answers, in their order."""
        answers: list[Queue[Reply]] = [Queue() for _ in lines]
        for line, answer in zip(lines, answers, strict=True):
            self.desk.submit(parse(line), COACH, answer.put)
        return [answer.get(timeout=WAIT_S) for answer in answers]

    def plan_text(self) -> str:
        assert self.hall.engine.parts.practice.plan is not None
        return self.hall.engine.parts.practice.plan.changes.text


@pytest.fixture
def hall() -> Hall:
    return Hall()


def test_lines_given_at_once_make_a_step_each(hall: Hall) -> None:
    """The next change is planned when the one before is in force: none is lost and none counts twice."""
    hall.ask("load mixed-spin")
    assert all(reply.ok for reply in hall.ask("easier", "easier", "slower", "swap heavy-push to light-push"))
    assert hall.plan_text() == "rung -2, tempo -15/min, heavy-push -> light-push"


def test_a_change_answers_with_what_it_does(hall: Hall) -> None:
    """The answer tells from when, which step, the tempo and who asked; data lines tell of a stretch."""
    hall.ask("load mixed-spin")
    (reply,) = hall.ask("easier")
    assert reply.text == "easier from its start: rung -1, tempo -5/min (slower), 31/min; asked by coach"
    hall.ask("load against-the-block")
    stretched = [reply.data for reply in hall.ask(*["faster"] * 8)]
    assert any("is not possible for this mix" in line for data in stretched for line in data)


@pytest.mark.parametrize(
    ("line", "code", "says"),
    [
        ("swap fast-topspin to light-push", "not-possible", "mixed-spin throws no fast-topspin; it throws "),
        ("swap heavy-push to no-such-ball", "not-possible", "no ball type is called no-such-ball"),
        ("queue mixed-spin", "wrong-state", "queue is not possible now"),
    ],
)
def test_a_change_that_cannot_be_is_refused_and_changes_nothing(hall: Hall, line: str, code: str, says: str) -> None:
    """The plan in force stays the very same."""
    hall.ask("load mixed-spin")
    before = hall.hall.engine.parts.practice.plan
    (reply,) = hall.ask(line)
    assert reply.code is not None and reply.code.name == code and says in reply.text
    assert hall.hall.engine.parts.practice.plan is before


def test_without_a_load_a_change_names_the_next_step(hall: Hall) -> None:
    """Nothing is loaded: the answer says how to load."""
    (reply,) = hall.ask("easier")
    assert reply.code is not None and reply.code.name == "no-drill"


ONE_SIDE = """
name = "one-side"
title = "One side"
level = "beginner"
tempo_per_min = 30

[[set]]
balls = 6
[set.sequence]
kind = "fixed"
balls = ["light-topspin to forehand"]
"""


def test_load_tells_what_is_left_out(tmp_path: Path) -> None:
    """On a machine without pan the answer to load has a line about the sides."""
    (tmp_path / "one-side.toml").write_text(ONE_SIDE, "utf-8")
    (reply,) = Hall(drills=tmp_path).ask("load one-side hand left")
    assert reply.ok, reply.text
    assert reply.data == ("sides are left out: club-build has no pan, every ball goes down the middle",)


def test_the_hand_of_the_line_turns_the_sides_over() -> None:
    """For a left-handed player the same line pans the other way; the elbow counts from the middle to the forehand."""
    hall = Hall("hall-pan")
    pans = []
    for line in ("load middle-then-a-wing seed 1 elbow 20", "load middle-then-a-wing seed 1 hand left elbow 20"):
        assert hall.ask(line)[0].ok
        assert hall.hall.engine.parts.practice.plan is not None
        pans.append([ball.setting.pan_deg for ball in hall.hall.engine.parts.practice.plan.sets[1].balls])
    assert pans[1] == [-(pan or 0.0) for pan in pans[0]]
    assert pans[0][0] is not None and pans[0][0] > 3


def test_hand_elbow_and_level_of_who_plays_are_those_of_the_drill(tmp_path: Path) -> None:
    """PlayerEntry once, they hold for every load; what a line says stands over hand and elbow, never over the level."""
    hall = Hall("hall-pan")
    journal = Journal(tmp_path / "journal.sqlite", "hall-pan", "run")
    journal.start()
    hall.desk.practice = Practice(machine("hall-pan"), tmp_path, journal, Limits())
    add, choose = "players add left-hander hand left level junior elbow 20", "players choose left-hander"
    assert all(reply.ok for reply in hall.ask(add, choose))
    assert hall.desk.snapshot().player == "left-hander" and hall.desk.snapshot().level == "junior"
    pans = {}
    for said in ("", " hand left elbow 20", " hand right elbow 20", " elbow 5"):
        (reply,) = hall.ask(f"load middle-then-a-wing seed 1{said}")
        assert reply.ok and reply.data == ("tempo 36/min asked, 35/min by the player's profile junior",)
        assert hall.hall.engine.parts.practice.plan is not None
        pans[said] = [ball.setting.pan_deg for ball in hall.hall.engine.parts.practice.plan.sets[1].balls]
    assert pans[""] == pans[" hand left elbow 20"] == [-(pan or 0.0) for pan in pans[" hand right elbow 20"]]
    assert pans[" elbow 5"][0] != pans[""][0]
    assert hall.desk.snapshot().tempo_reason == "tempo 36/min asked, 35/min by the player's profile junior"
    journal.end()
    journal.join(10.0)


def test_who_plays_is_not_taken_where_the_engine_refuses(tmp_path: Path) -> None:
    """Armed, the choice is refused and the one before plays on, for plans as for the status."""
    hall = Hall()
    journal = Journal(tmp_path / "journal.sqlite", "club-build", "run")
    journal.start()
    hall.desk.practice = Practice(machine("club-build"), tmp_path, journal, Limits())
    assert all(reply.ok for reply in hall.ask("players add one level junior", "players add two", "players choose one"))
    hall.hall.run_for(30.0)
    assert hall.hall.say("arm").ok
    for line in ("players choose two", "players choose", "players choose nobody-known"):
        (reply,) = hall.ask(line)
        assert reply.code is not None and reply.code.name == "wrong-state"
    assert (hall.desk.snapshot().player, hall.desk.snapshot().level) == ("one", "junior")
    journal.end()
    journal.join(10.0)
