"""`drillfeed phone`: serve the page for a phone from this machine to the player's own network.

Rule of this file: it opens nothing to the network unless told to, and it says what is not encrypted.
"""

import argparse
import sys

EXAMPLES = """\
examples:
  drillfeed phone --on lan                       for phones on the same network; shows an address and a code to scan
  drillfeed phone --on lan --pair coach          the first code is for a coach
  drillfeed phone --on 192.0.2.10:7380           this address of this machine
  drillfeed phone                                only for a browser on this machine

The page can see, pause and stop; with the code it is the player or the coach. While it runs, type player or coach and
Enter for another code; `drillfeed send clients` lists who has a key. It needs the extra `phone`.
Exit code: 0 left, 1 the extra is missing or the address is taken, 2 wrong arguments, 3 no daemon.
"""

LEFT, FAILED, MISUSED, NO_DAEMON = 0, 1, 2, 3
DEFAULT_ON = "127.0.0.1:7380"
NOT_ENCRYPTED = (
    "Not encrypted: who listens in on this network can read codes, keys and commands. On a network that is not yours, "
    "do not."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this sub-command."""
    parser.add_argument(
        "--to", metavar="HOST:PORT|PATH", help="the daemon; else $DRILLFEED, its socket, 127.0.0.1:7340"
    )
    parser.add_argument("--on", default=DEFAULT_ON, metavar="lan|HOST:PORT", help=f"where to serve ({DEFAULT_ON})")
    parser.add_argument("--name", action="append", default=[], metavar="HOST", help="another name of this machine")
    parser.add_argument(
        "--pair",
        choices=("player", "coach", "none"),
        default="player",
        help="whom the first code is for; none: no code yet",
    )


def run(args: argparse.Namespace) -> int:
    """Serve the page until interrupted; return the exit code."""
    import asyncio

    from drillfeed.clients.find import NoDaemon
    from drillfeed.protocol.lines import BrokenReply

    try:
        host, port = _address(args.on)
        from drillfeed.daemon.shell.logs import log_to_stderr

        log_to_stderr()
        return asyncio.run(_serve(args, host, port))
    except ImportError as error:
        print(f"drillfeed phone: {error.name} is missing. Next: pip install 'drillfeed[phone]'", file=sys.stderr)
        return FAILED
    except ValueError as error:
        print(f"drillfeed phone: {error}", file=sys.stderr)
        return MISUSED
    except (NoDaemon, BrokenReply, TimeoutError) as error:
        print(f"drillfeed phone: {error}", file=sys.stderr)
        return NO_DAEMON
    except OSError as error:
        print(f"drillfeed phone: {args.on}: {error.strerror or error}. Next: another --on", file=sys.stderr)
        return FAILED


def _address(on: str) -> tuple[str, int]:
    """Return the address and port to serve at; `lan` is the address that this machine has on its network."""
    from drillfeed.clients.find import read_address

    address = read_address(DEFAULT_ON if on == "lan" else on)
    if address.path is not None:
        raise ValueError(f"'{on}' is no HOST:PORT, and not lan")
    return (own_address() if on == "lan" else address.host), address.port


def own_address() -> str:
    """Return the address this machine would send from, by its routing table; sends nothing (RFC 5737 test address)."""
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError as error:
            raise ValueError(f"this machine is on no network ({error.strerror}); name an address with --on") from error
        return str(probe.getsockname()[0])


async def _serve(args: argparse.Namespace, host: str, port: int) -> int:
    import asyncio
    import os

    from drillfeed.clients.ending import leave_terminal_after, signals_to_end
    from drillfeed.clients.phone.server import PhoneServer, until

    if args.pair != "none":
        await asyncio.to_thread(_new_code, args.to, args.pair)  # is there a daemon that gives codes?
    server, host, port = await PhoneServer(args.to, os.environ, tuple(args.name)).listen(host, port)
    ending, loop = asyncio.Event(), asyncio.get_running_loop()

    def asked(number: int) -> None:
        leave_terminal_after(number)
        ending.set()

    for number in signals_to_end():
        loop.add_signal_handler(number, asked, number)
    url = f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"
    if args.pair != "none":
        await _show(args.to, args.pair, url)
    tasks: set[asyncio.Task[None]] = set()

    def typed() -> None:
        try:
            line = sys.stdin.readline()
        except OSError:  # the terminal has gone
            line = ""
        if not line:
            loop.remove_reader(sys.stdin.fileno())
        elif (role := line.strip() or args.pair) in ("player", "coach"):
            tasks.add(task := loop.create_task(_show(args.to, role, url)))
            task.add_done_callback(tasks.discard)
        else:
            print("type player or coach for a code; Ctrl-C leaves", flush=True)

    if sys.stdin.isatty():
        loop.add_reader(sys.stdin.fileno(), typed)
    await until(ending, server)
    return LEFT


async def _show(to: str | None, role: str, url: str) -> None:
    """Print address, code and the picture to scan; if no daemon answers, say so."""
    import asyncio

    import segno

    from drillfeed.clients.find import NoDaemon
    from drillfeed.protocol.lines import BrokenReply

    try:
        code = await asyncio.to_thread(_new_code, to, role)
    except (NoDaemon, BrokenReply, TimeoutError) as error:
        print(f"no code: {error}", flush=True)
        return
    # What stands behind the # stays in the browser, because it is not part of the request.
    segno.make(f"{url}#pair={code}", micro=False).terminal(sys.stdout, compact=True)
    print(f"page      {url}")
    print(f"code      {code}  pairs one {role} within two minutes")
    if url.startswith(("http://127.", "http://[::1]")):
        print("reached   from this machine only; for a phone: drillfeed phone --on lan")
    print(f"note      {NOT_ENCRYPTED}", flush=True)


def _new_code(to: str | None, role: str) -> str:
    """Ask the daemon for a code; raises NoDaemon if it gives none to this client."""
    from typing import Literal, cast

    from drillfeed.clients.find import NoDaemon
    from drillfeed.clients.lines import Client

    with Client.find(to) as client:
        reply = client.invite(cast(Literal["player", "coach"], role))
        if not reply.ok:
            raise NoDaemon(f"the daemon gives no code from here: {reply.text}")
        return reply.data[0].removeprefix("code ")
