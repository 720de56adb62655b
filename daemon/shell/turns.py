"""Turns of the connections: a few lines a turn for all connections together, then a rest.

Rule of this file: no client's lines keep another's waiting, and no flood takes the processor from the control loop.
After each turn, and after each reading from a client that floods, the server rests for longer than the work took.
"""

import asyncio
from collections import deque
from collections.abc import Callable
from typing import Protocol

LINES_A_TURN = 8
RESTS = 3.0  # a rest is this many times as long as the turn or the reading before it
READ_REST_LEAST_S = 0.002


class Turner(Protocol):
    """What a turn needs of a connection."""

    in_turn: bool
    closing: bool

    def step(self) -> bool:
        """Deal with one line; tell whether another line can be dealt with now."""

    def read_on(self) -> None:
        """Go on reading after a rest."""


class Turns:
    """The row of connections that have something to do."""

    def __init__(self) -> None:
        self.loop: asyncio.AbstractEventLoop | None = None
        self._row: deque[Turner] = deque()
        self._planned = False
        self._rests_until_s = float("-inf")
        self._flooding = 0

    def give(self, turner: Turner) -> None:
        """Put a connection in the row."""
        if not turner.in_turn and not turner.closing:
            turner.in_turn = True
            self._row.append(turner)
        self._plan()

    def rest_from(self, turner: Turner, took_s: float, later: Callable[[float, Callable[[], None]], None]) -> None:
        """Let a connection that floods read on later; the more such connections there are, the later."""
        self._flooding += 1

        def read_on() -> None:
            self._flooding -= 1
            turner.read_on()

        later(max(READ_REST_LEAST_S, RESTS * took_s * self._flooding), read_on)

    def _plan(self) -> None:
        if self._row and not self._planned and self.loop is not None:
            self._planned = True
            rest_s = self._rests_until_s - self.loop.time()
            if rest_s > 0:
                self.loop.call_later(rest_s, self._take)
            else:
                self.loop.call_soon(self._take)

    def _take(self) -> None:
        assert self.loop is not None
        began_s = self.loop.time()
        for _ in range(LINES_A_TURN):
            if not self._row:
                break
            turner = self._row.popleft()
            turner.in_turn = False
            if turner.step():
                self.give(turner)
        ended_s = self.loop.time()
        self._rests_until_s = ended_s + RESTS * (ended_s - began_s)
        self._planned = False
        self._plan()
