"""`drillfeed prompt`: type commands by hand, with history and completion, and see what happens.

Rule of this file: `clients/completion.py` decides what may be typed next; this file has the terminal and the threads.
Ctrl-C is a stop, ahead of whatever is under way. SIGTERM and a hang-up stop and then end the program. A secret never
goes into the history.
"""

import argparse
import contextlib
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drillfeed.clients.completion import Known
    from drillfeed.clients.lines import Client
    from drillfeed.protocol.lines import Reply
    from drillfeed.protocol.status import Snapshot

EXAMPLES = """\
examples:
  drillfeed prompt                         the daemon of this machine
  drillfeed prompt --to 192.0.2.10:7340    a daemon on another machine

Tab completes, the arrow keys bring back earlier lines, Ctrl-C stops the thrower, Ctrl-D leaves (what runs goes on).
Closing the terminal stops the thrower and leaves.
History and completion need the extra: pip install 'drillfeed[prompt]'. Exit code: 0 left, 2 bad address, 3 no daemon.
"""

LEFT, MISUSED, NO_DAEMON = 0, 2, 3
HISTORY = "prompt-history"
HINT = "no completion and no history: pip install 'drillfeed[prompt]'"
LOOK_S = 0.25


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this sub-command."""
    parser.add_argument(
        "--to", metavar="HOST:PORT|PATH", help="the daemon; else $DRILLFEED, its socket, 127.0.0.1:7340"
    )
    parser.add_argument("--plain", action="store_true", help="no completion, no history, no status line")


def run(args: argparse.Namespace) -> int:
    """Take lines until the end of input; return the exit code."""
    from drillfeed.clients.find import NoDaemon
    from drillfeed.clients.lines import Client
    from drillfeed.daemon.shell.output import ask
    from drillfeed.protocol.lines import BrokenReply

    try:
        with Client.find(args.to) as asking, Client.find(args.to) as watching:
            watcher = Watcher(watching)
            plain = args.plain or not sys.stdin.isatty()
            with contextlib.nullcontext(ask) if plain else _comfortable(watcher) as read:
                watcher.thread.start()
                try:
                    return _converse(asking, read)
                finally:
                    watcher.ending.set()
                    watcher.thread.join(4 * LOOK_S)
    except ValueError as error:
        print(f"drillfeed prompt: {error}", file=sys.stderr)
        return MISUSED
    except (NoDaemon, BrokenReply, TimeoutError) as error:
        print(f"drillfeed prompt: {error}", file=sys.stderr)
        return NO_DAEMON


def _converse(client: "Client", read: "Callable[[], str]") -> int:
    """Send what is read, line by line, and print the replies; if a signal or hang-up ends this, send a stop first."""
    from drillfeed.clients.ending import Ended, hung_up, stop_before_leaving
    from drillfeed.daemon.shell.logs import tell

    on_terminal = sys.stdin.isatty()

    def work() -> int:
        while True:
            try:
                return _lines(client, read)
            except Ended:
                raise
            except KeyboardInterrupt:
                client.stop_now()
                tell("stop sent")
            except EOFError:
                if on_terminal and hung_up(sys.stdin.fileno()):
                    raise Ended(signal.SIGHUP) from None
                return LEFT

    return stop_before_leaving(work, client.stop_now, LEFT)


def _lines(client: "Client", read: "Callable[[], str]") -> int:
    from drillfeed.daemon.shell.logs import tell

    while True:
        line = read()
        if line.strip(" "):
            tell("\n".join(reply_lines(client.ask_line(line))))
        if line.split()[:1] == ["quit"]:
            return LEFT


def reply_lines(reply: "Reply") -> "Iterable[str]":
    """Yield a reply as lines for a person: its data, then its result."""
    yield from (f"  {line}".rstrip() for line in reply.data)
    if reply.ok:
        yield f"done {reply.verb} {reply.text}".rstrip()
    else:
        code = f"{reply.code.number} {reply.code.name} " if reply.code else ""
        yield f"no {code}{reply.text}"


class Watcher:
    """A thread with its own connection, which prints what happens and keeps the state and the names for completion."""

    def __init__(self, client: "Client") -> None:
        self.client = client
        self.ending = threading.Event()
        self.snapshot: Snapshot | None = None
        self.names: Known = {}
        self.thread = threading.Thread(target=self._watch, name="watcher", daemon=True)

    def known(self) -> "Known":
        """Return the names that completion may offer, including the present stop count."""
        return {**self.names, "stop-count": [str(self.snapshot.stop_count)] if self.snapshot else []}

    def state(self) -> str:
        """Return the state and the next step in one line."""
        from drillfeed.protocol.status_text import next_step, state_line

        return f"{state_line(self.snapshot)}   next: {next_step(self.snapshot)}" if self.snapshot else "not connected"

    def _watch(self) -> None:
        from drillfeed.clients.find import NoDaemon
        from drillfeed.protocol.errors import Refused
        from drillfeed.protocol.lines import BrokenReply

        try:
            self.snapshot = self.client.snapshot()
            self.client.watch("on")
            self.names = known_names(self.client)
            while not self.ending.wait(LOOK_S):
                for told in self.client.notices(0.0):
                    print(f"! {told.topic} {told.text}", flush=True)
                self.snapshot = self.client.snapshot()
        except (NoDaemon, BrokenReply, TimeoutError, Refused) as error:
            self.snapshot = None
            if not self.ending.is_set():
                print(f"! {error}", flush=True)


@contextlib.contextmanager
def _comfortable(watcher: Watcher) -> "Iterator[Callable[[], str]]":
    """Yield a function that reads a line with history, completion and status line; a plain one without the extra."""
    from drillfeed.daemon.shell.output import ask

    try:
        from prompt_toolkit.patch_stdout import patch_stdout

        from drillfeed.clients.prompt_terminal import open_session
    except ImportError:
        print(HINT, file=sys.stderr)
        yield ask
        return
    from drillfeed.daemon.config import state_folder

    session = open_session(state_folder() / HISTORY, watcher.known, watcher.state)
    with patch_stdout():
        yield session.prompt


def known_names(client: "Client") -> "Known":
    """Ask the daemon for the names that completion offers."""
    return {
        "drills": [line.split()[0] for line in client.list("drills").data if line],
        "balls": [line.split()[0] for line in client.list("balls").data if line],
        "players": [line.rpartition(": ")[0] for line in client.players().data if line],
    }
