"""What a person has marked of a run: sets and single balls, apart from what was commanded and seen.

Rule of this file: unmarked is None, never 0. A later mark of the same set or ball stands in place of the earlier.
"""

from dataclasses import dataclass, field


@dataclass
class Tally:
    """Balls that went, by number, with their set; and the marks: of a set (made, out of), of a ball (made or not)."""

    set_of: dict[int, int] = field(default_factory=dict)
    sets: dict[int, tuple[int, int]] = field(default_factory=dict)
    balls: dict[int, bool] = field(default_factory=dict)

    def went(self, n: int, number: int) -> None:
        """Ball `n` went, in this set."""
        self.set_of[n] = number

    def fed(self, number: int) -> int:
        """Return how many balls of a set went."""
        return sum(of == number for of in self.set_of.values())

    def mark_ball(self, n: int, made: bool) -> None:
        """Mark a ball that went, in place of an earlier mark."""
        self.balls[n] = made

    def mark_set(self, number: int, made: int, out_of: int) -> None:
        """Mark a set, in place of an earlier mark."""
        self.sets[number] = (made, out_of)

    @property
    def made(self) -> int | None:
        """Return how many balls were made as far as anybody has said; None where nobody has."""
        if not self.sets and not self.balls:
            return None
        return sum(made for made, _ in self.sets.values()) + sum(self._single())

    @property
    def marked(self) -> int | None:
        """Return how many balls the marks are about; None where there are none."""
        return sum(out_of for _, out_of in self.sets.values()) + len(self._single()) or None

    def _single(self) -> list[bool]:
        """Return the marks of single balls; a mark on their whole set stands over them."""
        return [made for n, made in self.balls.items() if self.set_of[n] not in self.sets]
