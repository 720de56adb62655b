"""`drillfeed watch`: print what happens, as it happens.

Rule of this file: it only listens, and leaving it changes nothing.
"""

import argparse
import sys

EXAMPLES = """\
examples:
  drillfeed watch                       one line a notice, for people
  drillfeed watch --json                one JSON object a line, for programs
  drillfeed watch --to 127.0.0.1:7340   a daemon by its address

Ctrl-C leaves; the drill goes on. Exit code: 0 left, 1 refused, 3 no daemon or it has gone.
"""

LEFT, REFUSED, MISUSED, NO_DAEMON = 0, 1, 2, 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this sub-command."""
    parser.add_argument(
        "--to", metavar="HOST:PORT|PATH", help="the daemon; else $DRILLFEED, its socket, 127.0.0.1:7340"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def run(args: argparse.Namespace) -> int:
    """Print the state, then each notice, until an interrupt or until the daemon is gone; return the exit code."""
    from drillfeed.clients.find import NoDaemon
    from drillfeed.clients.lines import Client
    from drillfeed.protocol.lines import BrokenReply

    try:
        with Client.find(args.to) as client:
            reply = client.watch("json")
            if not reply.ok:
                print(f"no {reply.text}", file=sys.stderr)
                return REFUSED
            if not args.json:
                print(client.status().text, flush=True)
            for told in client.notices():
                print(_written(told, args.json), flush=True)
    except KeyboardInterrupt:
        return LEFT
    except ValueError as error:
        print(f"drillfeed watch: {error}", file=sys.stderr)
        return MISUSED
    except (NoDaemon, BrokenReply, TimeoutError) as error:
        print(f"drillfeed watch: {error}", file=sys.stderr)
        return NO_DAEMON
    return LEFT


def _written(told: object, as_json: bool) -> str:
    import dataclasses
    import json

    from drillfeed.protocol.lines import ReceivedNotice

    assert isinstance(told, ReceivedNotice)
    if as_json:
        return json.dumps(dataclasses.asdict(told), ensure_ascii=False)
    cue = f"  [{told.cue}]" if told.cue else ""
    return f"{told.topic:<10}{told.text}{cue}"
