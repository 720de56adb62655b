"""`drillfeed record`: write setpoints and statuses from a daemon's observer stream to a file."""

import argparse

EXAMPLES = """\
examples:
  drillfeed serve --observe tcp://127.0.0.1:7412
  drillfeed record --observe tcp://127.0.0.1:7412 --out saturday.jsonl
  drillfeed record --observe tcp://127.0.0.1:7412 --out warm-up.jsonl --seconds 90
  drillfeed replay saturday.jsonl --out saturday.svg
"""
HIGH_WATER = 1000
POLL_MS = 200
FLUSH_S = 1.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed record`."""
    parser.add_argument("--observe", required=True, metavar="ENDPOINT", help="the daemon's observer stream")
    parser.add_argument("--out", required=True, metavar="FILE", help="where to write; JSON lines, about 0.4 GB an hour")
    parser.add_argument("--seconds", type=float, metavar="S", help="end after this time; else at an interrupt")


def run(args: argparse.Namespace) -> int:
    """Record until the time is over or an interrupt, SIGTERM or a hang-up comes; return the exit status."""
    import sys
    import time
    from datetime import UTC, datetime
    from pathlib import Path

    import zmq

    from drillfeed.clients.drivers.link_loop import Ending
    from drillfeed.clients.recording import Recorder
    from drillfeed.protocol.link import SOCKET_BYTES_MAX

    ending = Ending()
    ending.catch()
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    socket = context.socket(zmq.SUB)
    # A SUB socket connects again by itself, so recording goes on after the daemon restarts. If a slow disk lets more
    # messages wait than the high-water mark allows, they are lost, and memory stays bounded.
    socket.setsockopt(zmq.LINGER, 0)
    socket.setsockopt(zmq.RCVHWM, HIGH_WATER)
    socket.setsockopt(zmq.MAXMSGSIZE, SOCKET_BYTES_MAX)
    socket.setsockopt(zmq.SUBSCRIBE, b"")
    recorder = Recorder(args.observe, datetime.now(UTC).isoformat(timespec="seconds"), time.monotonic())
    try:
        socket.connect(args.observe)
        with Path(args.out).open("x", encoding="utf-8") as file:
            file.write(recorder.head)
            end_s = time.monotonic() + args.seconds if args.seconds else float("inf")
            flushed_s = time.monotonic()
            while not ending.asked and (now := time.monotonic()) < end_s:
                if socket.poll(POLL_MS):
                    file.writelines(recorder.take(socket.recv_multipart(), now))
                if now - flushed_s > FLUSH_S:
                    flushed_s = now
                    file.flush()
    except zmq.ZMQError as error:
        print(f"{args.observe}: {error}; expected an endpoint such as tcp://127.0.0.1:7412", file=sys.stderr)
        return 2
    except FileExistsError:
        print(f"{args.out}: there is such a file already; a recording never writes over another", file=sys.stderr)
        return 2
    except OSError as error:
        print(f"{args.out}: {error.strerror or error}; what came until then is in it", file=sys.stderr)
        return 1
    finally:
        socket.close(linger=0)
        context.term()
    counts = recorder.counts
    print(
        f"{args.out}: {counts['setpoint']} setpoints, {counts['status']} statuses, {counts['gaps']} gaps, "
        f"{counts['passed over']} passed over"
    )
    if counts["setpoint"] or counts["status"]:
        return 0
    print(f"nothing came from {args.observe}. Next: see that the daemon runs and observes there", file=sys.stderr)
    return 1
