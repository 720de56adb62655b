"""`drillfeed send`: give commands to the running daemon from a shell or a script.

Rule of this file: data goes to standard output, so that it can be piped; refusals go to standard error.
"""

import argparse
import sys

EXAMPLES = """\
examples:
  drillfeed send stop                            stop, whatever is under way
  drillfeed send 'load mixed-spin seed 7' arm    two lines, one after the other
  drillfeed send 'start 4'                       the stop count is in the status
  drillfeed send 'status json'                   one JSON object, for a program
  drillfeed send --to 192.0.2.10:7340 pause      a daemon on another machine

Each LINE is one line of the protocol: put it in quotes if it has blanks. After a refusal the lines that
follow are not sent, but for a stop. Exit code: 0 accepted, 1 refused, 3 no daemon.
"""

ACCEPTED, REFUSED, MISUSED, NO_DAEMON = 0, 1, 2, 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this sub-command."""
    parser.add_argument(
        "--to", metavar="HOST:PORT|PATH", help="the daemon; else $DRILLFEED, its socket, 127.0.0.1:7340"
    )
    parser.add_argument("lines", nargs="+", metavar="LINE", help="a line of the protocol, such as 'balls 48'")


def run(args: argparse.Namespace) -> int:
    """Send the lines in order and print their replies; return the exit code."""
    from drillfeed.clients.find import NoDaemon
    from drillfeed.clients.lines import Client
    from drillfeed.protocol.commands import is_stop
    from drillfeed.protocol.lines import BrokenReply

    refused = False
    try:
        with Client.find(args.to) as client:
            for line in args.lines:
                if refused and not is_stop(line):
                    continue
                reply = client.ask_line(line)
                if reply.ok:
                    print("\n".join(reply.data) if reply.data else f"done {reply.verb} {reply.text}".rstrip())
                    continue
                refused = True
                code = f"{reply.code.number} {reply.code.name}" if reply.code else ""
                print(f"no {code} {reply.text}", file=sys.stderr)
                if reply.code and reply.code.number in (12, 13) and len(args.lines) > 1:
                    print("each argument is one line; put a line with blanks in quotes", file=sys.stderr)
    except ValueError as error:
        print(f"drillfeed send: {error}", file=sys.stderr)
        return MISUSED
    except (NoDaemon, BrokenReply, TimeoutError) as error:
        print(f"drillfeed send: {error}", file=sys.stderr)
        return NO_DAEMON
    return REFUSED if refused else ACCEPTED
