"""From a drill's mention of a ball to the throws of a machine: its setting, its side, its small variations.

Rule of this file: nothing is left out silently. If the machine has no pan for a side, no roll for sidespin, or can't
throw a variation, every listing shows a note. If the drill needs the side or the sidespin, the drill is refused.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations, product

from drillfeed.daemon.drills.balls import BallType, without_sidespin
from drillfeed.daemon.drills.drill import Drill, Variation
from drillfeed.daemon.drills.players import Player, for_player, leftward_cm
from drillfeed.daemon.drills.sides import Side, split
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.allowed import ANOTHER_BALL, allowed_fit, objection
from drillfeed.daemon.planning.apart import Written, no_longer_apart
from drillfeed.daemon.planning.setting import USUAL_STEP, NotPossible, Setting, bend_text, pan_to, setting_for
from drillfeed.protocol.texts.catalogue import text

STEPS = (-1.0, 0.0, 1.0)
"""How far a ball is varied, as shares of the maximum: three steps, so that all pairs are known beforehand."""


@dataclass(frozen=True)
class Throw:
    """One ball as one machine throws it."""

    ball: BallType
    setting: Setting


@dataclass(frozen=True, eq=False)
class Aimed:
    """The throws of a mention: first as written, then its variations. `side` is None if the ball goes to no side.

    `fitted` says what was bent to fit the machine. There is one `Aimed` for each mention; it equals only itself
    (`eq=False`), so that it can be a key.
    """

    mention: str
    side: Side | None
    throws: tuple[Throw, ...]
    fitted: str = ""

    @property
    def plain(self) -> Throw:
        """Return the throw as written."""
        return self.throws[0]


def pan_for(ball: BallType, side: Side, machine: Machine, player: Player) -> float:
    """Return the pan in degrees that lands a ball on a player's side; raise NotPossible beyond the limits."""
    return pan_to(ball, machine, leftward_cm(side, player) / 100, text("throws.for-side", side=side))


def varied(ball: BallType, vary: Variation, speed_step: float, depth_step: float) -> BallType:
    """Return the ball varied in speed, and in depth if the ball type gives a depth."""
    changes = {"speed_mps": round(ball.speed_mps + speed_step * vary.speed_mps, 4)}
    if ball.depth_cm is not None:
        changes["depth_cm"] = round(ball.depth_cm + depth_step * vary.depth_cm, 2)
    return ball.model_copy(update=changes)


def _throws(
    ball: BallType, vary: Variation, side: Side | None, machine: Machine, player: Player
) -> tuple[tuple[Throw, ...], int]:
    """Return the throw as written with its variations, and how many variations a limit of machine or player excludes.

    Each throw has its own pan, since a faster ball bends differently and a deeper one lands further aside.
    """

    def throw(variant: BallType) -> Throw:
        if (why := objection(variant, machine, player.profile)) is not None:
            raise NotPossible(why)
        setting = setting_for(variant, machine)
        return Throw(
            variant, setting if side is None else replace(setting, pan_deg=pan_for(variant, side, machine, player))
        )

    plain, found, left_out = throw(ball), [], 0
    speeds = STEPS if vary.speed_mps else (0.0,)
    depths = STEPS if vary.depth_cm and ball.depth_cm is not None else (0.0,)
    for speed_step, depth_step in product(speeds, depths):
        if speed_step or depth_step:
            try:
                found.append(throw(varied(ball, vary, speed_step, depth_step)))
            except NotPossible:
                left_out += 1
    return (plain, *found), left_out


class _Aiming:
    """Collects settings, faults (each with its next step) and notes of one drill on one machine."""

    def __init__(self, drill: Drill, balls: Mapping[str, BallType], machine: Machine, player: Player) -> None:
        self._drill, self._balls, self._machine, self._player = drill, balls, machine, player
        self.faults: dict[str, str] = {}
        self.notes: list[str] = []
        self._fits: dict[str, Written] = {}
        self._known: dict[tuple[tuple[str, ...], Variation], dict[str, Aimed]] = {}

    def aim(self, mentions: tuple[str, ...], vary: Variation) -> dict[str, Aimed]:
        """Return the throws of a set's balls; sets with the same balls share one result."""
        if (mentions, vary) not in self._known:
            self._known[mentions, vary] = dict(self._each(mentions, vary))
        return self._known[mentions, vary]

    def _each(self, mentions: tuple[str, ...], vary: Variation) -> Iterator[tuple[str, Aimed]]:
        for mention in mentions:
            name, side = split(mention)
            if name not in self._balls:
                self.faults[text("throws.no-ball-type", name=name)] = text(USUAL_STEP)
                continue
            try:
                yield mention, self._one(mention, self._balls[name], side, vary)
            except NotPossible as refusal:
                self.faults[f"{name}: {refusal}"] = refusal.do

    def _one(self, mention: str, ball: BallType, side: Side | None, vary: Variation) -> Aimed:
        ball, fit = self._as_thrown(ball)
        thrown_to = side if self._machine.pan is not None else None
        throws, left_out = _throws(ball, vary, thrown_to, self._machine, self._player)
        if (bends := bend_text(ball, self._machine)) is not None:
            self.notes.append(f"{mention} {bends}")
        if fit:
            self.notes.append(f"{ball.name}, {fit}")
        if left_out:
            self.notes.append(text("throws.varied-less", mention=mention, left_out=left_out))
        return Aimed(mention, thrown_to, throws, fit)

    def _as_thrown(self, ball: BallType) -> tuple[BallType, str]:
        """Return a ball type for the player's hand, fitted to the machine, and what was bent."""
        ball = for_player(ball, self._player)
        ball = ball if self._machine.roll is not None else without_sidespin(ball)
        found = allowed_fit(ball, self._machine, self._player.profile, self._balls)
        self._fits[ball.name] = ball, found
        return found.ball, found.text

    def look_at_pairs(self) -> None:
        """Add a fault for each pair of ball types that fitting has made one for the player."""
        fits = list(self._fits.values())
        for one, other in combinations(fits, 2):
            if (why := no_longer_apart(one, other, self._machine)) is not None:
                self.faults[why] = USUAL_STEP

    def _bent(self) -> list[str]:
        """Return the names of the drill's ball types that have sidespin."""
        known = [name for name in self._drill.ball_names() if name in self._balls]
        return [name for name in known if self._balls[name].side_revps]

    def look_at_sidespin(self) -> None:
        """Note that sidespin is left out if the head can't roll; raise NotPossible if the drill needs it."""
        bent = ", ".join(self._bent())
        if bent and self._machine.roll is None:
            if self._drill.sidespin == "needed":
                raise NotPossible(text("throws.needs-sidespin", bent=bent, machine=self._machine.name))
            self.notes.append(text("throws.sidespin-left-out", bent=bent, machine=self._machine.name))

    def look_at_sides(self) -> None:
        """Note that sides are left out if there is no pan; raise NotPossible if the drill needs them."""
        sides = dict.fromkeys(side for mention in self._drill.mentions() if (side := split(mention)[1]) is not None)
        if sides and self._machine.pan is None:
            if self._drill.sides == "needed":
                raise NotPossible(text("throws.needs-sides", sides=", ".join(sides), machine=self._machine.name))
            bends = self._machine.roll is not None and self._bent()
            which = text("throws.every-ball-without-sidespin") if bends else text("throws.every-ball")
            self.notes.append(text("throws.sides-left-out", machine=self._machine.name, which=which))


def _what_helps(steps: set[str]) -> str:
    """Return the next step for several faults: the one they share, or else one that helps with all of them."""
    if len(steps) == 1:
        return next(iter(steps))
    usual = text(USUAL_STEP)
    return usual if usual in steps else text(ANOTHER_BALL)


def aim_sets(
    drill: Drill, balls: Mapping[str, BallType], machine: Machine, player: Player
) -> tuple[tuple[dict[str, Aimed], ...], tuple[str, ...]]:
    """Return the throws of each set by mention, and notes on what is left out; raise NotPossible with every reason."""
    aiming = _Aiming(drill, balls, machine, player)
    aiming.look_at_sides()
    aiming.look_at_sidespin()
    sets = tuple(aiming.aim(part.sequence.names(), drill.variation_of(part)) for part in drill.set)
    if all(name in balls for name in drill.ball_names()):
        looked_at = {(id(part.sequence), part.balls): (number, part) for number, part in enumerate(drill.set, 1)}
        for number, part in looked_at.values():
            faults = part.sequence.faults(part.balls, balls)
            aiming.faults |= {text("throws.set-fault", number=number, fault=fault): USUAL_STEP for fault in faults}
    aiming.look_at_pairs()
    if aiming.faults:
        raise NotPossible("; ".join(aiming.faults), _what_helps(set(aiming.faults.values())))
    return sets, tuple(dict.fromkeys(aiming.notes))
