"""What a person has marked of a run: sets and single balls, apart from what was commanded and seen.

Rule of this file: unmarked is None, never 0. A later mark of the same set or ball stands in place of the earlier.
"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from drillfeed.protocol.errors import Refused

if TYPE_CHECKING:
    from drillfeed.daemon.engine.engine import Engine
    from drillfeed.daemon.engine.orders import Given


@dataclass
class Tally:
    """Balls that went, by number, with their set; and the marks: of a set (made, out of), of a ball (made or not)."""

    set_of: dict[int, int] = field(default_factory=dict)
    sets: dict[int, tuple[int, int]] = field(default_factory=dict)
    balls: dict[int, bool] = field(default_factory=dict)

    def fed(self, number: int) -> int:
        """Return how many balls of a set went."""
        return sum(of == number for of in self.set_of.values())

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


def mark(engine: "Engine", given: "Given", now_s: float) -> str:
    """Take a mark: `made 14 of 20` of a set, or `made` of a ball; the last one that went where none is named."""
    values = given.command.values
    tally = engine.run.tally if engine.run is not None else Tally()
    if not tally.set_of:
        raise Refused("no-drill", "no ball has gone that could be marked", do="start a drill, or throw one ball")
    if "count" in values:
        return _mark_set(engine, tally, given, now_s)
    if "of" in values or "set" in values:
        raise _unclear("a set is marked with a count", "mark made 14 of 20")
    n = given.number("ball") if "ball" in values else max(tally.set_of)
    if n not in tally.set_of:
        raise Refused("unknown-name", f"ball {n} has not gone", expected=f"a number up to {max(tally.set_of)}")
    made = values["result"] == "made"
    tally.balls[n] = made
    text = f"ball {n} {values['result']}"
    engine.tell("mark", text, now_s, set=tally.set_of[n], n=n, made=int(made), out_of=1, by=given.caller.role)
    return text


def _mark_set(engine: "Engine", tally: Tally, given: "Given", now_s: float) -> str:
    values = given.command.values
    if "ball" in values:
        raise _unclear("a count belongs to a set, not to a ball", "mark made ball 3")
    number = given.number("set") if "set" in values else tally.set_of[max(tally.set_of)]
    fed, count = tally.fed(number), given.number("count")
    if not fed:
        raise Refused("unknown-name", f"no ball of set {number} has gone", do="status tells the set")
    out_of = given.number("of") if "of" in values else fed
    if not count <= out_of <= fed:
        raise Refused(
            "bad-argument",
            f"set {number} threw {fed} balls",
            expected=f"a count up to {min(out_of, fed)}, of at most {fed}",
            found=f"{count} of {out_of}",
        )
    made = count if values["result"] == "made" else out_of - count
    tally.sets[number] = (made, out_of)
    text = f"set {number}: {made} of {out_of} made"
    engine.tell("mark", text, now_s, set=number, made=made, out_of=out_of, by=given.caller.role)
    return text


def _unclear(what: str, example: str) -> Refused:
    return Refused("bad-argument", what, expected=f"such as: {example}", do="help mark")
