"""`drillfeed calibrate`: calibrate a machine from measurements with a tape, a phone or a tachometer."""

import argparse
from typing import TYPE_CHECKING

from drillfeed.daemon.subcommands.fly import add_air, finite

if TYPE_CHECKING:
    from drillfeed.daemon.aim.calibrate import Fit
    from drillfeed.daemon.aim.doubts import Doubt
    from drillfeed.daemon.aim.marks import Mark
    from drillfeed.daemon.aim.thrower import Thrower
    from drillfeed.daemon.calibration import Calibration
    from drillfeed.daemon.machine import Machine

EXAMPLES = """\
examples:
  drillfeed calibrate marks.csv --machine my-thrower.toml
  drillfeed calibrate marks.csv --machine my-thrower.toml --ball-batch "worn training balls" --temp 17
  drillfeed calibrate marks.csv --machine my-thrower.toml --odd-rows leave-out
  drillfeed calibrate --columns                 what may stand in the file
  drillfeed calibrate --live --machine my-thrower.toml     throw test balls and ask where they landed
  drillfeed calibrate --trim rally-topspin --long -5 --machine my-thrower.toml
"""
MAX_LEFT_OUT = 0.25  # of the rows; if more rows are odd, nobody can tell which rows are right
COLUMNS_TEXT = """\
One row is one setting and what was measured at it; leave blank what was not. Lines that begin with # are skipped.
  top_rpm, bottom_rpm, tilt_deg   as told to the machine (these three are needed)
  depth_cm                        where balls landed, past the net (before it: negative)
  gate_m, gate_s, fps             phone slow motion: time from the opening to a mark so far along; frames a second
  spin_revps                      a pen line counted over frames, topspin positive; above fps/2 it cannot be told
  tach_top_rpm, tach_bottom_rpm   the wheels by tachometer
  balls                           over how many balls the row is the mean (1); better a row a ball, in 6 rows or more
  note                            anything

top_rpm,bottom_rpm,tilt_deg,depth_cm,balls,note
2094,2094,18.9,88,1,no spin
2094,2094,18.9,93,1,no spin
4351,1126,15.4,121,1,topspin
4351,1126,15.4,117,1,topspin
804,3385,14.1,97,1,backspin
804,3385,14.1,101,1,backspin
2900,2255,13.9,112,1,flat
2900,2255,13.9,108,1,flat
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed calibrate`."""
    parser.add_argument("file", nargs="?", metavar="FILE.csv", help="what was measured")
    parser.add_argument("--machine", default="club-build", metavar="M", help="machine profile: a name or a file")
    parser.add_argument("--out", metavar="FILE", help="where to write (beside the profile, NAME.calibration.toml)")
    parser.add_argument("--ball-batch", default="", metavar="TEXT", help="which balls they were")
    parser.add_argument(
        "--zone", type=finite, default=0.15, metavar="M", help="landing zone the scatter must fit (0.15)"
    )
    parser.add_argument(
        "--odd-rows",
        choices=["keep", "leave-out"],
        help="what to do with rows that do not fit the others (a terminal is asked row by row)",
    )
    parser.add_argument("--stale-after", type=int, metavar="N", help="balls after which to measure again (5000)")
    parser.add_argument("--live", action="store_true", help="throw test balls with the running daemon, mark by mark")
    parser.add_argument("--to", metavar="HOST:PORT|PATH", help="with --live: the daemon")
    parser.add_argument("--balls", type=int, default=25, metavar="N", help="with --live: how many test balls (25)")
    parser.add_argument("--columns", action="store_true", help="tell what may stand in the file")
    parser.add_argument("--trim", metavar="BALL", help="move one ball type's aim instead, with --long and --left")
    parser.add_argument("--long", type=finite, default=0.0, metavar="CM", help="longer by so much; short is negative")
    parser.add_argument("--left", type=finite, default=0.0, metavar="CM", help="to the thrower's left; needs pan")
    add_air(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """Fit and write; return 0, or 1 if the fit is refused (nothing is written), or 2 for mistakes."""
    import sys

    from drillfeed.daemon.validation import InvalidFile

    if args.columns:
        print(COLUMNS_TEXT, end="")
        return 0
    try:
        if args.trim is not None:
            return _trim(args)
        if args.live:
            return _live(args)
        if args.file is None:
            print("drillfeed calibrate: a FILE.csv is needed. Next: drillfeed calibrate --columns", file=sys.stderr)
            return 2
        return _fit(args)
    except (ValueError, OSError, InvalidFile) as error:
        print(f"drillfeed calibrate: {error}", file=sys.stderr)
        return 2


def _fit(args: argparse.Namespace) -> int:
    import datetime
    import json
    from pathlib import Path

    from drillfeed.daemon.aim.marks import read_marks
    from drillfeed.daemon.calibration import beside
    from drillfeed.daemon.files import read_text
    from drillfeed.daemon.library.loading import find, load_machine
    from drillfeed.daemon.subcommands.aim import thrower_for

    machine = load_machine(args.machine).model_copy(update={"calibration": None})
    marks = read_marks(read_text(Path(args.file)).splitlines(), args.file)
    found, odd = _judged(args, thrower_for(args, machine), marks)
    made = _calibration(args, machine.name, found, datetime.date.today().isoformat())
    out = Path(args.out) if args.out else beside(find("machines", args.machine), "calibration")
    if found.refused is None:
        out.write_text(made.as_toml(), encoding="utf-8")
    if args.json:
        told = {"calibrated": found.refused is None, "refused": found.refused, "odd_rows": odd, **made.model_dump()}
        print(json.dumps({**told, "file": None if found.refused else str(out)}))
    else:
        print("\n".join([*odd, *_lines(found)]))
        print(f"not calibrated: {found.refused}; nothing written" if found.refused else f"calibrated: written to {out}")
    return 0 if found.refused is None else 1


def _judged(args: argparse.Namespace, thrower: "Thrower", marks: "list[Mark]") -> "tuple[Fit, list[str]]":
    """Return the fit, and the odd rows in words; the options or the person decide whether odd rows are left out.

    If nobody decides, the fit is refused, and the refusal names the option that decides.
    """
    from dataclasses import replace

    from drillfeed.daemon.aim.calibrate import fit
    from drillfeed.daemon.aim.doubts import doubts

    whole, odd = fit(thrower, marks, args.zone), doubts(thrower, marks)
    texts = [doubt.text for doubt in odd]
    if not odd:
        return whole, texts
    rest = fit(thrower, [m for i, m in enumerate(marks) if i not in {doubt.index for doubt in odd}], args.zone)
    if whole.refused is not None and rest.refused is not None:
        return whole, texts
    out = _left_out(args, odd)
    if out is None:
        rows = "1 row does" if len(odd) == 1 else f"{len(odd)} rows do"
        decide = "--odd-rows leave-out, or --odd-rows keep if they are right; better measure them again"
        return replace(whole, refused=f"{rows} not fit the others: {decide}"), texts
    if len(out) > MAX_LEFT_OUT * len(marks):
        few = f"{len(out)} of {len(marks)} rows do not fit the others: too many to leave out; measure again"
        return replace(whole, refused=few), texts
    return fit(thrower, [m for i, m in enumerate(marks) if i not in out], args.zone), texts


def _left_out(args: argparse.Namespace, odd: "tuple[Doubt, ...]") -> set[int] | None:
    """Return the places of the rows to leave out, or None if nobody decides."""
    import sys

    if args.odd_rows is not None:
        return {doubt.index for doubt in odd} if args.odd_rows == "leave-out" else set()
    if args.json or not sys.stdin.isatty():
        return None
    out = set()
    for doubt in odd:
        answer = ""
        while answer not in ("k", "l"):
            try:
                answer = input(f"{doubt.text}. k keeps it, l leaves it out: ").strip().lower()[:1]
            except EOFError:
                return None
        if answer == "l":
            out.add(doubt.index)
    return out


def _live(args: argparse.Namespace) -> int:
    """Throw the test balls, write every mark to a CSV file as it comes, then fit."""
    import sys
    import time
    from pathlib import Path

    from drillfeed.clients.ending import stop_before_leaving
    from drillfeed.clients.find import NoDaemon
    from drillfeed.clients.lines import Client
    from drillfeed.clients.marking import BrokenOff, Landing, as_csv, collect
    from drillfeed.daemon.library.loading import load_machine
    from drillfeed.daemon.shell.logs import tell
    from drillfeed.daemon.shell.output import ask
    from drillfeed.protocol.lines import BrokenReply

    machine = load_machine(args.machine)
    path = Path(args.file or f"{machine.name}-marks-{time.strftime('%Y-%m-%d-%H%M%S')}.csv")
    if path.exists():
        raise ValueError(f"{path} is there already; name another file, or leave it out")
    marked: list[Landing] = []

    def keep(landing: Landing) -> None:
        marked.append(landing)
        path.write_text(as_csv(marked), encoding="utf-8")

    print("Nobody between thrower and table. Mark each first touch; fetch the balls between throws, not during them.")
    try:
        with Client.find(args.to) as client:
            here = client.snapshot().machine
            if here != machine.name:
                raise ValueError(f"the daemon drives {here}; --machine says {machine.name}")

            def work() -> int:
                collect(client, _test_balls(machine, args.balls), ask, tell, time.sleep, keep)
                return 0

            if stop_before_leaving(work, client.stop, 1, (EOFError,)):
                tell("\nstopped")
    except (NoDaemon, BrokenReply, TimeoutError) as lost:
        print(f"drillfeed calibrate: {lost}", file=sys.stderr)
    except BrokenOff as end:
        print(f"drillfeed calibrate: {end}", file=sys.stderr)
    if not marked:
        print("nothing was marked")
        return 1
    print(f"{len(marked)} marks kept in {path}")
    args.file = str(path)
    return _fit(args)


def _test_balls(machine: "Machine", count: int) -> list[str]:
    """Return the names of `count` test balls, taken in turn from the low, shipped types that this machine throws."""
    from drillfeed.daemon.library.loading import load_balls
    from drillfeed.daemon.planning.fitting import fitted
    from drillfeed.daemon.planning.setting import NotPossible

    if not 1 <= count <= 200:
        raise ValueError(f"--balls {count}; expected 1 to 200")
    names = []
    for ball in load_balls().values():
        if ball.arc != "low" or ball.locked:
            continue
        try:
            fitted(ball, machine)
        except NotPossible:
            continue
        names.append(ball.name)
    return [names[i % len(names)] for i in range(count)]


def _calibration(args: argparse.Namespace, machine: str, found: "Fit", day: str) -> "Calibration":
    from drillfeed.daemon.aim.calibrate import NAMES
    from drillfeed.daemon.calibration import STALE_AFTER_BALLS, Calibration, Fitted

    return Calibration(
        machine=machine,
        made_on=day,
        balls=found.balls,
        ball_batch=args.ball_batch,
        temp_c=args.temp,
        altitude_m=args.altitude,
        stale_after_balls=args.stale_after or STALE_AFTER_BALLS,
        scatter_cm=None if found.scatter_m is None else round(100 * found.scatter_m, 2),
        left_open=found.open,
        values=Fitted(**{name: round(found.value(name), 6) for name in NAMES}),
        deviations=Fitted(**{name: round(found.sd(name), 6) for name in NAMES}),
    )


def _lines(found: "Fit") -> list[str]:
    from drillfeed.daemon.aim.calibrate import NAMES

    lines = [f"{'':<20} {'value':>9}   90 % within"]
    for name in NAMES:
        mark = "   (the data hardly tell)" if name in found.open else ""
        lines.append(f"{name:<20} {found.value(name):>9.4f}   +- {1.645 * found.sd(name):.4f}{mark}")
    if found.scatter_m is not None:
        lines.append(f"single landings scatter by {100 * found.scatter_m:.1f} cm about the fit ({found.balls} balls)")
    return lines


def _trim(args: argparse.Namespace) -> int:
    """Move one ball type's aim further, and keep the trim in the file beside the profile."""
    from drillfeed.daemon.calibration import Trim, beside
    from drillfeed.daemon.library.loading import find, find_ball, load_machine

    ball, machine = find_ball(args.trim), load_machine(args.machine)
    if args.left and machine.pan is None:
        raise ValueError(f"{machine.name} has no pan: --long alone; turn the thrower by hand to aim to a side")
    old = machine.trims.of(ball.name)
    if not (abs(old.long_cm + args.long) <= 40 and abs(old.left_cm + args.left) <= 40):
        raise ValueError(f"trim of {ball.name} would pass 40 cm; more than that is for a calibration")
    new = Trim(ball=ball.name, long_cm=old.long_cm + args.long, left_cm=old.left_cm + args.left)
    out = beside(find("machines", args.machine), "trim")
    out.write_text(machine.trims.with_trim(new).as_toml(), encoding="utf-8")
    print(f"{ball.name}: aimed {new.long_cm:+g} cm along, {new.left_cm:+g} cm to the left; kept in {out}")
    return 0
