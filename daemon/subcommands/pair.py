"""`drillfeed pair`: pair this terminal's user with a daemon elsewhere."""

import argparse
import os
import sys

EXAMPLES = """\
examples:
  drillfeed send 'invite coach'                      on the machine itself: shows a code for two minutes
  drillfeed pair 482913 --to 192.0.2.10:7340          elsewhere: pairs, and keeps the key
  drillfeed keyboard --to 192.0.2.10:7340             from then on in that role
  drillfeed pair --forget --to 192.0.2.10:7340        drops the key here; `unpair` there makes it worthless

The daemon must listen to the network for that: drillfeed serve --listen 192.0.2.10:7340. Nothing is encrypted: who
listens in can read code and key. Through a tunnel (ssh -L 7340:127.0.0.1:7340) no pairing is needed.
Exit code: 0 done, 1 refused, 2 wrong arguments, 3 no daemon.
"""

DONE, REFUSED, MISUSED, NO_DAEMON = 0, 1, 2, 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this sub-command."""
    parser.add_argument("code", nargs="?", metavar="CODE", help="the code that is shown on the machine")
    parser.add_argument("--to", metavar="HOST:PORT", help="the daemon; else $DRILLFEED, its socket, 127.0.0.1:7340")
    parser.add_argument("--forget", action="store_true", help="drop the key that is kept for this daemon")


def run(args: argparse.Namespace) -> int:
    """Pair, or forget a key; return the exit code."""
    from drillfeed.clients.find import NoDaemon, places
    from drillfeed.clients.keys import keep_key
    from drillfeed.clients.lines import Client
    from drillfeed.protocol.lines import BrokenReply

    if args.forget == (args.code is not None):
        print("drillfeed pair: give a code, or --forget", file=sys.stderr)
        return MISUSED
    try:
        if args.forget:
            for address in places(args.to, os.environ):
                keep_key(address, None, os.environ)
            return DONE
        with Client.find(args.to) as client:
            reply = client.pair(args.code)
            print(reply.text, file=sys.stdout if reply.ok else sys.stderr)
            if not reply.ok:
                return REFUSED
            for line in reply.data:
                if line.startswith("key "):
                    keep_key(client.address, line.removeprefix("key "), os.environ)
    except ValueError as error:
        print(f"drillfeed pair: {error}", file=sys.stderr)
        return MISUSED
    except (NoDaemon, BrokenReply, TimeoutError) as error:
        print(f"drillfeed pair: {error}", file=sys.stderr)
        return NO_DAEMON
    except OSError as error:
        print(f"drillfeed pair: paired for this time only; the key cannot be kept ({error})", file=sys.stderr)
        return REFUSED
    return DONE
