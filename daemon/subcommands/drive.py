"""`drillfeed drive`: a motor driver in its own process, for a simulated thrower or for a board on a serial line."""

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import TextIO

    from drillfeed.clients.drivers.board import Board, DriverTraits, Note
    from drillfeed.clients.drivers.event_log import EventLog
    from drillfeed.daemon.machine import Machine

    Started = tuple[Board, DriverTraits, Callable[[], None]]
    """A board, the traits that it declares, and the call that closes it at the end."""

EXAMPLES = """\
examples:
  drillfeed drive simulated --link tcp://127.0.0.1:7411
  drillfeed drive simulated --link tcp://127.0.0.1:7411 --machine kit-build --seed 7 --log driver.jsonl
  drillfeed drive simulated --link tcp://127.0.0.1:7411 --fault top=stuck@12-15
  drillfeed drive serial --link tcp://127.0.0.1:7411 --port /dev/ttyUSB0
  drillfeed drive serial --link tcp://127.0.0.1:7411 --port /dev/ttyUSB0 --machine kit-build --duty kit-duty.toml
  kill -USR1 PID        (be the person at the thrower: fill the hopper, turn the crank to its mark)
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed drive`."""
    parser.add_argument("board", choices=["simulated", "serial"], help="what to drive")
    parser.add_argument("--link", required=True, metavar="ENDPOINT", help="where the daemon listens for its driver")
    parser.add_argument("--machine", default="club-build", metavar="M", help="machine profile: a name or a file")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="of feeder scatter, release scatter and noise")
    parser.add_argument("--log", metavar="FILE", help="append what was done and seen, one JSON object a line")
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="CHANNEL=KIND[:AMOUNT][@FROM[-UNTIL]]",
        help="bend a channel of the simulated thrower, times in seconds after the start",
    )
    parser.add_argument("--port", metavar="PORT", help="serial: the port of the board, for example /dev/ttyUSB0")
    parser.add_argument(
        "--baud", type=int, default=115_200, metavar="N", help="serial: bits a second, 115200 if not told"
    )
    parser.add_argument(
        "--simulated", action="store_true", help="serial: say that nothing real turns; for a board that is a program"
    )
    parser.add_argument("--duty", metavar="FILE", help="serial, no speed feedback: which duty makes which speed (TOML)")


def run(args: argparse.Namespace) -> int:
    """Drive until SIGTERM, SIGINT or a hang-up; return the exit status."""
    import secrets
    import sys
    import time
    from pathlib import Path

    from drillfeed.clients.drivers.adapter import DriverCore
    from drillfeed.clients.drivers.event_log import EventLog
    from drillfeed.clients.drivers.link_loop import Ending, run_link
    from drillfeed.daemon.library.loading import load_machine
    from drillfeed.daemon.validation import InvalidFile

    with EventLog(Path(args.log) if args.log else None) as log:
        try:
            machine = load_machine(args.machine)
            start = _serial if args.board == "serial" else _simulated
            board, traits, close = start(args, machine, log)
        except (ValueError, InvalidFile) as error:
            print(error, file=sys.stderr)
            return 2
        ending = Ending()
        ending.catch()
        note = shown_to_the_driver(log, sys.stderr)
        core = DriverCore(traits, board, boot=secrets.token_hex(8), now=time.monotonic(), note=note)
        try:
            run_link(core, args.link, ending, note=log)
        finally:
            close()
    return 0


def shown_to_the_driver(note: "Note", out: "TextIO") -> "Note":
    """Return a `note` that also prints, for the person who started the driver, why it does not fit the machine."""

    def noted(event: str, t: float, /, **what: object) -> None:
        note(event, t, **what)
        misfits = what.get("misfits")
        if event == "misfit" and isinstance(misfits, list):
            for line in misfits:
                print(f"drillfeed drive: does not fit the daemon's machine: {line}", file=out, flush=True)

    return noted


def _simulated(args: argparse.Namespace, machine: "Machine", log: "EventLog") -> "Started":
    import signal
    import time

    import numpy as np

    from drillfeed.clients.drivers.faults import parse_fault
    from drillfeed.daemon.boards import simulated_thrower

    faults = [parse_fault(text) for text in args.fault]
    board = simulated_thrower(machine, np.random.default_rng(args.seed), time.monotonic(), log, faults)
    # A person at a real thrower fills the hopper and sets the crank; here a signal does that.
    signal.signal(signal.SIGUSR1, lambda number, frame: board.attend())
    return board, board.traits.driver, lambda: None


def _serial(args: argparse.Namespace, machine: "Machine", log: "EventLog") -> "Started":
    from pathlib import Path

    from drillfeed.clients.drivers.duty import duty_of
    from drillfeed.clients.drivers.serial_board import SerialBoard
    from drillfeed.daemon.boards import driver_traits
    from drillfeed.daemon.files import read_toml

    if not args.port:
        raise ValueError("--port is missing: the serial port of the board, for example /dev/ttyUSB0")
    if machine.sensors.speed_feedback is bool(args.duty):
        has = (
            "has speed feedback, so its board takes rpm: leave --duty out"
            if args.duty
            else ("has no speed feedback: --duty FILE must tell which duty makes which speed")
        )
        raise ValueError(f"{machine.name} {has}")
    try:
        from drillfeed.clients.drivers.serial_port import SerialPort
    except ImportError:
        raise ValueError("pyserial is missing. Next: pip install 'drillfeed[serial]'") from None
    traits = driver_traits(machine, f"serial {machine.name}", simulated=args.simulated)
    duty = duty_of(read_toml(Path(args.duty)), args.duty) if args.duty else None
    board = SerialBoard(traits, SerialPort(args.port, args.baud), duty, log)
    return board, traits, board.close
