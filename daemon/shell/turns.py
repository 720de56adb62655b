"""Turns of the connections: a few lines a turn for all that have a place, a few for all at the door, then a rest.

Rule of this file: no client's lines keep another's waiting, and no flood takes the processor from the control loop.
After each turn, and after each reading from a client that floods, the server rests for longer than the work took.
"""

import asyncio
from collections import deque
from collections.abc import Callable
from typing import Protocol

LINES_A_TURN = 8
RESTS = 3.0  # a rest is this many times as long as the turn or the reading before it
MIN_READ_REST_S = 0.002


class Turner(Protocol):
    """What a turn needs of a connection."""

    in_turn: bool
    closing: bool

    @property
    def stop_only(self) -> bool:
        """Tell whether it has no place, so that all it can be told is a refusal."""

    def step(self) -> bool:
        """Deal with one line; tell whether another line can be dealt with now."""

    def read_on(self) -> None:
        """Go on reading after a rest."""


class Turns:
    """The row of connections that have something to do."""

    def __init__(self) -> None:
        self.loop: asyncio.AbstractEventLoop | None = None
        # Of those that have a place, and of those at the door: a flood at the door keeps nobody inside waiting.
        self._rows: tuple[deque[Turner], deque[Turner]] = (deque(), deque())
        self._planned = False
        self._rests_until_s = float("-inf")
        self._flooding = 0

    def give(self, turner: Turner) -> None:
        """Put a connection in the row."""
        if not turner.in_turn and not turner.closing:
            turner.in_turn = True
            self._rows[turner.stop_only].append(turner)
        self._plan()

    def rest_from(self, turner: Turner, took_s: float, later: Callable[[float, Callable[[], None]], None]) -> None:
        """Let a connection that floods read on later; the more such connections there are, the later."""
        self._flooding += 1

        def read_on() -> None:
            self._flooding -= 1
            turner.read_on()

        later(max(MIN_READ_REST_S, RESTS * took_s * self._flooding), read_on)

    def _plan(self) -> None:
        if any(self._rows) and not self._planned and self.loop is not None:
            self._planned = True
            rest_s = self._rests_until_s - self.loop.time()
            if rest_s > 0:
                self.loop.call_later(rest_s, self._take)
            else:
                self.loop.call_soon(self._take)

    def _take(self) -> None:
        assert self.loop is not None
        began_s = self.loop.time()
        for row in self._rows:
            self._serve(row)
        ended_s = self.loop.time()
        self._rests_until_s = ended_s + RESTS * (ended_s - began_s)
        self._planned = False
        self._plan()

    def _serve(self, row: deque[Turner]) -> None:
        lines = 0
        while row and lines < LINES_A_TURN:
            turner = row.popleft()
            turner.in_turn = False
            if turner.closing:
                continue
            lines += 1
            if turner.step():
                self.give(turner)
