"""The result of each push that a serial board was asked for, as its reports alone show it.

    a report shows the push's number                        it was pushed
    a report of a moment past its UNTIL does not show it    it was not and never will be: the board ignores the line
    neither, 100 ms after its time, or the board restarted  nobody knows; a report may still come

Rule of this file: nothing is assumed. A push has no answer until a report of the same boot shows one.
"""

from dataclasses import dataclass
from typing import Literal

from drillfeed.clients.drivers.board import Note, PushAnswer
from drillfeed.clients.drivers.serial_lines import BoardClock, Report, ms_between
from drillfeed.protocol.link import LATE_S

PUSH_FOR_S = LATE_S - 0.005
PUSH_ANSWER_S = 0.100
KEPT_MAX = 16
Verdict = Literal["made", "not made", "open", "nobody knows"]
TOO_LATE = f"the board did not push it within {PUSH_FOR_S * 1000:.0f} ms"


@dataclass
class Push:
    """A push that was asked for at `asked_s`, with its number and its UNTIL on the board's clock."""

    ball: int
    number: int
    asked_s: float
    until_ms: int
    until_s: float
    asking: bool = True
    told_overdue: bool = False


def _verdict(push: Push, told: Report, made: int, shown: int) -> Verdict:
    """Return what a report proves about a push.

    `made` is how many pushes are new in the report. `shown` is how many open pushes have a number up to the one that it
    shows, which is the newest push's. Earlier pushes can't be made any more. The count settles them if it fits all of
    them or only the newest.
    """
    if push.number > told.push_id:
        return "not made" if ms_between(push.until_ms, told.at_ms) > 0 else "open"
    if push.number == told.push_id or made == shown:
        return "made"
    return "not made" if made == 1 else "nobody knows"


class Pushes:
    """The pushes of one board that no report has settled yet, oldest first, and the answers not collected yet."""

    def __init__(self, note: Note) -> None:
        self._note = note
        self._open: list[Push] = []
        self._answers: list[PushAnswer] = []
        self._number = 0
        self._counted: int | None = None

    def ask(self, ball: int, newest: Report | None, clock: BoardClock, now: float) -> None:
        """Start asking for a push. By its own clock, the board makes it within `PUSH_FOR_S` of now or not at all."""
        self.ask_no_more()
        self._number = max(self._number, newest.push_id if newest else 0) + 1
        until_s = now + PUSH_FOR_S
        self._open = [*self._open[1 - KEPT_MAX :], Push(ball, self._number, now, clock.board_ms(until_s), until_s)]

    def refuse(self, ball: int, why: str, now: float) -> None:
        """Answer a push that was never sent to the board."""
        self._note("push_lost", now, id=ball, reason=why)
        self._answers.append(PushAnswer(ball, now, now, f"not pushed: {why}"))

    def ask_no_more(self) -> None:
        """Send no more lines for the current push; its result is still open."""
        for push in self._open:
            push.asking = False

    def to_send(self, now: float) -> Push | None:
        """Return the push to ask for now, perhaps again."""
        return next((push for push in self._open if push.asking and now <= push.until_s), None)

    def overdue(self, now: float) -> list[int]:
        """Return, each once, the balls whose result reports should have shown by now."""
        late = [push for push in self._open if not push.told_overdue and now > push.until_s + PUSH_ANSWER_S]
        for push in late:
            self._give_up(push, now)
        return [push.ball for push in late]

    def see(self, told: Report, clock: BoardClock, now: float) -> None:
        """Take a report of the current boot and settle what it proves."""
        made = told.pushes - (told.pushes if self._counted is None else self._counted)
        shown = sum(push.number <= told.push_id for push in self._open)
        still_open = []
        for push in self._open:
            verdict = _verdict(push, told, made, shown)
            if verdict == "made":
                self._confirm(push, told, clock, now)
            elif verdict == "not made":
                self._note("push_lost", now, id=push.ball, reason=TOO_LATE)
                self._answers.append(PushAnswer(push.ball, push.asked_s, now, TOO_LATE))
            elif verdict == "open":
                still_open.append(push)
            else:
                self._give_up(push, now)
        self._open, self._counted = still_open, told.pushes

    def _confirm(self, push: Push, told: Report, clock: BoardClock, now: float) -> None:
        self._note("push_confirmed", now, id=push.ball, number=push.number, board_pushes=told.pushes)
        # The board reports at once after a push. If only a later report came, the push's UNTIL is the latest moment.
        at_s = min(max(clock.driver_s(told.at_ms), push.asked_s), push.until_s)
        self._answers.append(PushAnswer(push.ball, push.asked_s, at_s))

    def forget(self, now: float) -> None:
        """Begin with another boot: its counts start again, so open pushes stay unknown."""
        for push in self._open:
            self._give_up(push, now)
        self._open, self._number, self._counted = [], 0, None

    def _give_up(self, push: Push, now: float) -> None:
        """Note once that nobody knows the result of a push."""
        if not push.told_overdue:
            push.told_overdue = True
            self._note("push_unknown", now, id=push.ball, number=push.number)

    def answers(self) -> tuple[PushAnswer, ...]:
        """Return the answers since the last call."""
        answers, self._answers = tuple(self._answers), []
        return answers
