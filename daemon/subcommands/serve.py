"""`drillfeed serve`: run the daemon."""

import argparse

EXAMPLES = """\
examples:
  drillfeed serve
  drillfeed serve --machine my-thrower.toml --drills my-drills
  drillfeed serve --listen 127.0.0.1:7340 --socket /run/drillfeed/drillfeed.sock
  drillfeed serve --config /etc/drillfeed.toml
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed serve`."""
    parser.add_argument("--config", metavar="FILE", help="TOML file; what is given here stands over it")
    parser.add_argument("--machine", metavar="M", help="machine profile: a name or a file (club-build)")
    parser.add_argument("--drills", metavar="DIR", help="folder of your own drills, ball types in DIR/balls")
    parser.add_argument("--listen", metavar="HOST:PORT", help="text commands over TCP (127.0.0.1:7340)")
    parser.add_argument("--socket", metavar="PATH", help="text commands over a Unix socket")
    parser.add_argument("--link", metavar="ENDPOINT", help="where the motor driver connects (tcp://127.0.0.1:7411)")
    parser.add_argument("--journal", metavar="FILE", help="the practice journal (journal.sqlite in the state folder)")
    parser.add_argument("--observe", metavar="ENDPOINT", help="setpoints and status for recorders")


def run(args: argparse.Namespace) -> int:
    """Serve until a signal; return 0 after an orderly end, 2 for bad configuration, 1 if an address is taken."""
    import asyncio
    import sys

    import zmq

    from drillfeed.daemon.app import serve
    from drillfeed.daemon.config import read_config
    from drillfeed.daemon.files import path_of
    from drillfeed.daemon.shell.logs import log_to_stderr, tell
    from drillfeed.daemon.validation import InvalidFile

    log_to_stderr()
    given = {key: getattr(args, key) for key in ("machine", "drills", "listen", "socket", "link", "observe", "journal")}
    try:
        config = read_config(path_of(args.config) if args.config else None, given)
        asyncio.run(serve(config, tell))
    except InvalidFile as error:
        print(error, file=sys.stderr)
        return 2
    except (OSError, UnicodeError, zmq.ZMQError) as error:
        print(f"drillfeed serve: {error}. Next: is another daemon running? drillfeed send status", file=sys.stderr)
        return 1
    return 0
