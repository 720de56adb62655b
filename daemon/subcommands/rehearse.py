"""`drillfeed rehearse`: show a drill's plan as a time line; nothing moves."""

import argparse
from typing import TYPE_CHECKING, Any

from drillfeed.daemon.subcommands.levels import add_level, chosen_profile

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from drillfeed.daemon.drills.balls import BallType
    from drillfeed.daemon.drills.drill import Drill
    from drillfeed.daemon.drills.profiles import Profile
    from drillfeed.daemon.drills.surprise import Surprise
    from drillfeed.daemon.machine import Machine
    from drillfeed.daemon.planning.plan import SetPlan

SEED = 1  # of the draws behind the likely ranges
EXAMPLES = """\
examples:
  drillfeed rehearse mixed-spin
  drillfeed rehearse mixed-spin --seed 7 --balls 12 --json
  drillfeed rehearse my-drill.toml --machine kit-build
  drillfeed rehearse two-and-two --machine hall-pan --hand left
  drillfeed rehearse middle-then-a-wing --machine hall-pan --hand left --elbow 8 --level junior
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed rehearse`."""
    parser.add_argument("drill", metavar="DRILL", help="a drill by its name, or a file")
    parser.add_argument("--machine", default="club-build", metavar="M", help="machine profile: a name or a file")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="chance; the same seed, the same balls (1)")
    parser.add_argument("--balls", type=int, metavar="N", help="so many balls, sets repeated as needed")
    parser.add_argument("--hand", choices=("right", "left"), default="right", help="the player's, for sides (right)")
    parser.add_argument("--elbow", type=float, default=12.0, metavar="CM", help="from the middle to the forehand (12)")
    add_level(parser)
    parser.add_argument("--drills", metavar="DIR", help="folder of your own drills, ball types in DIR/balls")
    parser.add_argument("--json", action="store_true", help="a JSON line a ball, then a summary")


def run(args: argparse.Namespace) -> int:
    """Print the plan; return 0, or 2 if there is none."""
    import sys
    from pathlib import Path

    from drillfeed.daemon.drills.drill import with_balls
    from drillfeed.daemon.drills.players import Player
    from drillfeed.daemon.drills.sides import MAX_ELBOW_CM
    from drillfeed.daemon.library.loading import load_balls, load_drill, load_machine
    from drillfeed.daemon.planning.plan import plan_sets
    from drillfeed.daemon.planning.setting import NotPossible
    from drillfeed.daemon.validation import InvalidFile

    folder = Path(args.drills) if args.drills else None
    try:
        if args.balls is not None and args.balls < 1:
            raise NotPossible(f"--balls {args.balls}; expected 1 or more")
        if not 0 <= args.seed < 2**32:
            raise NotPossible(f"--seed {args.seed}; expected 0 to {2**32 - 1}")
        if not abs(args.elbow) <= MAX_ELBOW_CM:
            raise NotPossible(f"--elbow {args.elbow:g}; expected {-MAX_ELBOW_CM:g} to {MAX_ELBOW_CM:g}")
        machine = load_machine(args.machine)
        drill = load_drill(args.drill, folder)
        if args.balls is not None:
            drill = with_balls(drill, args.balls)
        notes: list[str] = []
        profile = chosen_profile(args)
        player = Player(args.hand, args.elbow, profile)
        catalogue = load_balls(folder)
        sets = plan_sets(drill, catalogue, machine, args.seed, player=player, notes=notes)
        write = _write_json if args.json else _write_text
        write(drill, machine, args.seed, sets, notes, profile, catalogue)
    except InvalidFile as error:
        print(error, file=sys.stderr)
        return 2
    except NotPossible as error:
        print(f"{args.drill}: {error}", file=sys.stderr)
        return 2
    return 0


def _releases(drill: "Drill", sets: "Iterator[SetPlan]") -> "Iterator[tuple[SetPlan, int, float, float | None]]":
    """Yield (set, place in it, leaving time, interval), in seconds from the first ball; a waiting rest counts as 0."""
    time_s, first = 0.0, True
    rest_s: float | None = None
    for planned in sets:
        for place, ball in enumerate(planned.balls):
            gap_s = None if first else ball.gap_s if place else (rest_s or 0.0) + drill.start_delay_s
            time_s += gap_s or 0.0
            first = False
            yield planned, place, time_s, gap_s
        rest_s = planned.rest_s


def _surprise(drill: "Drill", planned: "SetPlan", catalogue: "Mapping[str, BallType]") -> "Surprise | None":
    """Return what a player can't know of a set; None if the machine throws other balls than the drill's file names."""
    from drillfeed.daemon.drills.surprise import surprise

    sequence = drill.set[planned.number - 1].sequence
    if not planned.balls or not {ball.mention for ball in planned.balls} <= set(sequence.names()):
        return None
    return surprise(sequence, len(planned.balls), catalogue)


def _write_json(
    drill: "Drill",
    machine: "Machine",
    seed: int,
    sets: "Iterator[SetPlan]",
    notes: list[str],
    profile: "Profile | None",
    catalogue: "Mapping[str, BallType]",
) -> None:
    import json

    from drillfeed.daemon.aim.records import likely_record
    from drillfeed.daemon.planning.doubts import likely_throws

    counts: dict[str, int] = {}
    shown: list[SetPlan] = []
    stretches: dict[str, None] = {}
    n, leaves_s, waits, previous_waits = 0, 0.0, 0, False
    for n, (planned, place, leaves_s, gap_s) in enumerate(_releases(drill, sets), 1):
        ball, setting = planned.balls[place], planned.balls[place].setting
        counts[ball.ball] = counts.get(ball.ball, 0) + 1
        if place == 0:
            shown.append(planned)
            waits += planned.number > 1 and previous_waits
            previous_waits = planned.rest_s is None
            if planned.stretch:
                stretches[planned.stretch.text] = None
        print(
            json.dumps(
                {
                    "n": n,
                    "ball": ball.ball,
                    "side": ball.side,
                    "set": planned.number,
                    "release_s": round(leaves_s, 4),
                    "interval_s": None if gap_s is None else round(gap_s, 4),
                    "speed_mps": ball.speed_mps,
                    "spin_revps": ball.spin_revps,
                    "side_revps": ball.side_revps,
                    "fitted": ball.fitted or None,
                    "tilt_deg": setting.tilt_deg,
                    "pan_deg": setting.pan_deg,
                    "roll_deg": setting.roll_deg,
                    "top_rpm": setting.top_rpm,
                    "bottom_rpm": setting.bottom_rpm,
                }
            )
        )
    summary: dict[str, Any] = {
        "drill": drill.name,
        "trains": drill.trains or None,
        "move_on": drill.move_on or None,
        "machine": machine.name,
        "seed": seed,
        "level": profile.level if profile else None,
        "limits": profile.text if profile else None,
        "balls": n,
        "sets": len(drill.set),
        "last_release_s": round(leaves_s, 4),
        "rests_that_wait": waits,
        "counts": counts,
        "stretched": list(stretches),
        "left_out": notes,
        "surprise": [
            {"set": planned.number, **found._asdict()}
            for planned in shown
            if (found := _surprise(drill, planned, catalogue)) is not None
        ],
        "likely": [
            {"ball": text, **likely_record(likely), "share_good": round(share_good, 4)}
            for text, likely, share_good in likely_throws(machine, shown, SEED)
        ],
    }
    print(json.dumps({"summary": summary}))


def _write_text(
    drill: "Drill",
    machine: "Machine",
    seed: int,
    sets: "Iterator[SetPlan]",
    notes: list[str],
    profile: "Profile | None",
    catalogue: "Mapping[str, BallType]",
) -> None:
    from drillfeed.daemon.planning.tilt_drift import drift_text

    print(f"{drill.name}: {drill.title}; on {machine.name}, seed {seed}")
    if profile is not None:
        print(f"limits of the player's level in force: {profile.text}")
    print(f"first ball {drill.start_delay_s:g} s after start; times are seconds from it")
    for label, words in (("trains", drill.trains), ("move on", drill.move_on)):
        print(f"{label}: {words}\n" if words else "", end="")
    print()
    width = max(22, *(len(mention) for mention in drill.mentions()))
    rolls = machine.roll is not None
    head_side, head_roll = (f"{'side':>5} ", f"{'roll':>5}  ") if rolls else ("", "")
    head = (
        f"{'n':>4}  {'leaves s':>9}  {'+ s':>6}  {'ball':<{width}} {'m/s':>5} {'rev/s':>6} "
        f"{head_side}{'tilt':>6}  {'pan':>5}  {head_roll}top / bottom rpm"
    )
    previous = None
    shown: list[SetPlan] = []
    for n, (planned, place, leaves_s, gap_s) in enumerate(_releases(drill, sets), 1):
        if place == 0:
            shown.append(planned)
            for line in (_rest(previous),) if previous is not None else notes:
                print(f"      {line}")
            title = f": {planned.title}" if planned.title else ""
            print(f"set {planned.number}{title}, {len(planned.balls)} balls at {planned.tempo_text()}/min")
            if planned.crank_to_mark_before:
                print("      first turn the crank to its mark by hand, then: crank-at-mark")
            if planned.stretch:
                print(f"      {planned.stretch.text}")
            if (drift := drift_text(machine, planned)) is not None:
                print(f"      {drift}")
            if (found := _surprise(drill, planned, catalogue)) is not None:
                print(f"      {found.text}")
            print(head)
            previous = planned
        ball, setting = planned.balls[place], planned.balls[place].setting
        gap = "" if gap_s is None else f"{gap_s:.2f}"
        side, roll = (f"{ball.side_revps:>+5.0f} ", f"{setting.roll_deg:>+5.1f}  ") if rolls else ("", "")
        pan = "" if setting.pan_deg is None else f"{setting.pan_deg:+.1f}"
        print(
            f"{n:>4}  {leaves_s:>9.2f}  {gap:>6}  {ball.text:<{width}} {ball.speed_mps:>5.1f} {ball.spin_revps:>+6.0f} "
            f"{side}{setting.tilt_deg:>6.1f}  {pan:>5}  {roll}{setting.top_rpm:,.0f} / {setting.bottom_rpm:,.0f}"
            f"{'  fitted' if ball.fitted else ''}"
        )
    print("".join(f"{line}\n" for line in _known_lines(machine, shown)), end="")


def _known_lines(machine: "Machine", sets: "Sequence[SetPlan]") -> list[str]:
    """Return how well the drill's balls and its tempo are known on this machine."""
    import numpy as np

    from drillfeed.daemon.aim.ranges import range_text, share_text
    from drillfeed.daemon.planning.doubts import likely_throws, tempo_range

    lines = []
    for ball, likely, share_good in likely_throws(machine, sets, SEED):
        ends = likely.of("depth_m")
        where = None if ends is None else range_text(likely, "depth_m", (ends.low + ends.high) / 2.0, 100.0)
        lands = f"lands {where} cm past the net, " if where else ""
        lines.append(f"  {ball}: {lands}{share_text(share_good)} on the table")
    rng = np.random.default_rng(SEED)
    for planned in sets:
        settings = list(dict.fromkeys(ball.setting for ball in planned.balls))
        found = tempo_range(machine, settings, planned.interval_s, rng)
        if found is not None and found.text is not None:
            lines.append(f"  set {planned.number}: {found.text}")
    if not lines:
        return []
    return ["", "likely, nine in ten, as well as machine, drag, lift, friction and restitution are known:", *lines]


def _rest(planned: "SetPlan") -> str:
    if planned.rest_s is None:
        return "rest until the player says ready, then the countdown"
    return f"rest {planned.rest_s:g} s, then the countdown"
