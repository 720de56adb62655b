"""The feeder: balls believed in the hopper, turns of the crank since its mark, ids of feeds, and whether it is open."""

from drillfeed.daemon.machine import Machine


class Feeder:
    """Owns what the feeder is believed to hold and to have done. None stands for what nobody knows."""

    def __init__(self, machine: Machine) -> None:
        self.is_timed_crank = machine.feeder.kind == "crank-timed"
        self.turn_s = 0.0 if machine.feeder.kind == "indexed" else machine.feeder.cycle_s
        self.balls_left: int | None = None
        self.crank_turns: int | None = 0
        self.open = False
        self._low_at = machine.hopper.low_at
        self._low_told = False
        self._newest_id = 0

    @property
    def is_low(self) -> bool:
        """Tell whether few balls are left, by the count."""
        return self.balls_left is not None and self.balls_left <= self._low_at

    def next_id(self) -> int:
        """Return a feed id never used in this session."""
        self._newest_id += 1
        return self._newest_id

    def count_hopper(self, balls: int) -> None:
        """Take the count that a person told."""
        self.balls_left = balls
        self._low_told = self.is_low

    def ball_went(self) -> bool:
        """Count what one push takes; return as `one_less` does."""
        if self.crank_turns is not None:
            self.crank_turns += 1
        return self.one_less()

    def one_less(self) -> bool:
        """Count a ball out of the hopper; return whether it has just run low."""
        if self.balls_left is None:
            return False
        self.balls_left = max(self.balls_left - 1, 0)
        runs_low = self.is_low and not self._low_told
        self._low_told = self._low_told or runs_low
        return runs_low

    def crank_at_mark(self) -> None:
        """The crank stands at its mark: somebody turned it there by hand."""
        self.crank_turns = 0

    def crank_lost(self) -> None:
        """Nobody knows where a crank by time stands: it was cut short, or a push was never confirmed."""
        if self.is_timed_crank:
            self.crank_turns = None

    def open_or_close(self, is_open: bool) -> bool:
        """Take whether the feed is open from now on; return whether it has just closed."""
        closes, self.open = self.open and not is_open, is_open
        return closes
