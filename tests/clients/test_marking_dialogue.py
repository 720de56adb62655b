"""The dialogue of a guided calibration, against a client made for the purpose."""

from dataclasses import dataclass, field

import pytest

from drillfeed.clients.marking import BrokenOff, Landing, as_csv, collect
from drillfeed.protocol.lines import Reply
from drillfeed.protocol.status import BallInfo, Snapshot, State


@dataclass
class Machine:
    """A machine that throws at once; `states` are what it shows after a throw, then ARMED again."""

    refuse: str | None = None
    after: State = "ARMED"
    result: str = "fed"
    thrown: list[tuple[str, int]] = field(default_factory=list)

    def snapshot(self) -> Snapshot:
        """Return the status."""
        ball = (
            BallInfo(
                n=1,
                ball=self.thrown[-1][0],
                set=1,
                top_rpm=4351.0,
                bottom_rpm=1126.5,
                tilt_deg=15.4,
                result=self.result,
            )
            if self.thrown
            else None
        )
        state: State = self.after if self.thrown else "ARMED"
        return Snapshot(state=state, since_s=0.0, stop_count=7, feed="closed", machine="club-build", last_ball=ball)

    def throw(self, ball: str, stop_count: int) -> Reply:
        """Throw one ball, or refuse."""
        if self.refuse:
            return Reply(ok=False, verb="throw", text=self.refuse)
        self.thrown.append((ball, stop_count))
        return Reply(ok=True, verb="throw", text="wheels are about to turn")


def run(machine: Machine, balls: list[str], answers: list[str]) -> tuple[list[Landing], list[str]]:
    """Run the dialogue with typed answers and return the marks and what was told."""
    marks: list[Landing] = []
    told: list[str] = []
    typed = iter(answers)
    collect(machine, balls, lambda _: next(typed), told.append, lambda _: None, marks.append)
    return marks, told


def test_each_ball_is_thrown_when_told_and_marked() -> None:
    """A ball is thrown on Enter, quoting the stop count, and its mark is kept with the setting as told."""
    machine = Machine()
    marks, _ = run(machine, ["rally-topspin", "light-push"], ["", "111.5", "", "98"])
    assert machine.thrown == [("rally-topspin", 7), ("light-push", 7)]
    assert marks[0] == Landing("rally-topspin", 4351.0, 1126.5, 15.4, 111.5)
    assert as_csv(marks).splitlines()[1] == "4351,1126.5,15.4,111.5,rally-topspin"


def test_a_ball_nobody_saw_leaves_no_mark() -> None:
    """A blank answer leaves no mark; an answer that is no number, or lies off the table's ends, is asked again."""
    marks, told = run(Machine(), ["light-push", "light-push"], ["", "", "", "far", "4000", "90"])
    assert [m.depth_cm for m in marks] == [90.0]
    assert sum("expected a number" in line for line in told) == 2


def test_a_ball_that_did_not_leave_is_not_asked_for() -> None:
    """A skipped ball is told and asks for no mark."""
    marks, told = run(Machine(result="skipped"), ["light-push"], [""])
    assert marks == []
    assert any("no ball left" in line for line in told)


@pytest.mark.parametrize(
    ("machine", "words"),
    [
        (Machine(refuse="spin too high"), "spin too high"),
        (Machine(after="FAULT"), "FAULT"),
        (Machine(after="PAUSED"), "PAUSED"),
    ],
    ids=["refused", "fault", "pause"],
)
def test_what_ends_the_dialogue(machine: Machine, words: str) -> None:
    """A refusal, a fault or a pause ends it with the reason; nothing is thrown after."""
    with pytest.raises(BrokenOff, match=words):
        run(machine, ["light-push", "light-push"], ["", "90", "", "90"])
    assert len(machine.thrown) <= 1


def test_it_ends_by_hand_before_a_throw() -> None:
    """Typing e throws nothing more."""
    machine = Machine()
    with pytest.raises(BrokenOff, match="by hand"):
        run(machine, ["light-push"], ["e"])
    assert machine.thrown == []
