"""`drillfeed replay`: draw a recording, or run it again on a driver without feeding balls."""

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drillfeed.clients.recording import Recording
    from drillfeed.daemon.machine import Machine
    from drillfeed.daemon.replaying import Replayer

EXAMPLES = """\
examples:
  drillfeed replay saturday.jsonl --out saturday.svg
  drillfeed replay saturday.jsonl --link tcp://127.0.0.1:7411 --machine club-build
  drillfeed replay saturday.jsonl --link tcp://127.0.0.1:7411 --yes     (a simulated thrower: nobody is asked)
"""
POLL_MS = 5


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed replay`."""
    parser.add_argument("recording", metavar="FILE", help="what `drillfeed record` wrote")
    parser.add_argument("--out", metavar="FILE.svg", help="draw asked, limited and measured against time")
    parser.add_argument(
        "--link", metavar="ENDPOINT", help="listen here for a driver and turn its wheels; no ball is fed"
    )
    parser.add_argument(
        "--machine", default="club-build", metavar="M", help="with --link: the profile whose limits hold"
    )
    parser.add_argument("--yes", action="store_true", help="with --link: don't ask before wheels turn")


def run(args: argparse.Namespace) -> int:
    """Draw the recording or run it again; return the exit status."""
    import sys
    from pathlib import Path

    from drillfeed.clients.recording import NoRecording, read_recording
    from drillfeed.clients.recording_svg import draw
    from drillfeed.daemon.files import lines_of, open_text
    from drillfeed.daemon.library.loading import load_machine
    from drillfeed.daemon.validation import InvalidFile

    try:
        with open_text(Path(args.recording)) as file:
            recording = read_recording(lines_of(file))
        print(_summary(args.recording, recording))
        if args.out:
            title = f"{Path(args.recording).name}, began {recording.began or 'at an unknown time'}"
            Path(args.out).write_text(draw(recording, title), encoding="utf-8")
            print(f"{args.out}: drawn")
        if args.link:
            return _run_again(args, recording, load_machine(args.machine))
    except (OSError, NoRecording, InvalidFile, ValueError) as error:
        print(f"{args.recording}: {error}", file=sys.stderr)
        return 2
    if not args.out:
        print("Next: --out FILE.svg draws it, --link ENDPOINT runs it on a driver")
    return 0


def _summary(name: str, recording: "Recording") -> str:
    passed = f", {recording.passed_over} lines passed over" if recording.passed_over else ""
    gaps = f", {recording.gaps} gaps" if recording.gaps else ""
    return (
        f"{name}: {recording.length_s:.1f} s, {len(recording.asked)} setpoints, {len(recording.told)} statuses, "
        f"{len(recording.fed_s)} balls fed{gaps}{passed}"
    )


def _run_again(args: argparse.Namespace, recording: "Recording", machine: "Machine") -> int:
    import secrets
    import sys
    import time

    from drillfeed.daemon.replaying import Moment, Replayer, beyond_limits
    from drillfeed.daemon.shell.endpoint import Held

    moments = [Moment(asked.at_s, asked.top_rpm, asked.bottom_rpm, asked.tilt_deg) for asked in recording.asked]
    if not moments:
        raise ValueError("no setpoint in it: nothing to run")
    beyond = beyond_limits(moments, machine)
    if beyond is not None:
        print(f"refused: {beyond}", file=sys.stderr)
        return 1
    fastest = max(max(moment.top_rpm, moment.bottom_rpm) for moment in moments)
    length_s = moments[-1].at_s - moments[0].at_s
    print(f"The wheels of {machine.name} will turn for {length_s:.0f} s, up to {fastest:,.0f} rpm. No ball is fed.")
    print("Empty the hopper; nobody in front of the opening; keep fingers, hair and sleeves off the wheels.")
    if not args.yes and not _agreed():
        print("nothing was done")
        return 1
    replayer = Replayer(machine, f"replay-{secrets.token_hex(6)}", moments, time.monotonic())
    with Held(args.link):
        _serve(replayer, args.link)
    if replayer.trouble is not None:
        print(f"stopped: {replayer.trouble}", file=sys.stderr)
        return 1
    off = ", ".join(f"{wheel} {rpm:,.0f} rpm" for wheel, rpm in replayer.worst_rpm.items()) or "not measured"
    print(f"ran {length_s:.1f} s; the wheels were off the driver's output by at most: {off}")
    return 0


def _agreed() -> bool:
    try:
        return input("Type yes to go on: ").strip().lower() == "yes"
    except EOFError:
        return False


def _serve(replayer: "Replayer", endpoint: str) -> None:
    """Serve the daemon's end of the link until the wheels stand; an interrupt, SIGTERM or hang-up stops them first."""
    import contextlib
    import time

    import zmq

    from drillfeed.clients.drivers.link_loop import Ending
    from drillfeed.clients.sleeping import asleep_s
    from drillfeed.daemon.shell.link_socket import LinkTaken, Parts, link_socket
    from drillfeed.protocol.link import TICK_S
    from drillfeed.protocol.sleep import MACHINE_SLEPT, SleepWatch

    ending, sleep = Ending(), SleepWatch()
    ending.catch()
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    try:
        router = link_socket(context, endpoint)
    except LinkTaken:
        context.term()
        raise
    parts = Parts()
    try:
        due_s = time.monotonic()
        while replayer.phase != "over":
            if router.poll(POLL_MS):
                message = parts.take(router.recv(), bool(router.getsockopt(zmq.RCVMORE)))
                if message is not None:
                    replayer.receive(*message, time.monotonic())
            now_s = time.monotonic()
            if ending.asked:
                replayer.stop("interrupted", now_s)
            slept_s = sleep.gap_s(asleep_s())
            if slept_s is not None:
                replayer.stop(f"{MACHINE_SLEPT}: the computer slept for {slept_s:.1f} s", now_s)
            if now_s >= due_s:
                due_s = max(due_s + TICK_S, now_s)
                replayer.advance(now_s)
            frames, replayer.link.out = replayer.link.out, []
            for peer, frame in frames:
                with contextlib.suppress(zmq.ZMQError):
                    router.send_multipart([peer, frame], zmq.NOBLOCK)
    finally:
        router.close(linger=0)
        context.term()
