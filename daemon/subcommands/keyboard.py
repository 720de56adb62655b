"""`drillfeed keyboard`: single keys and one screen.

Rule of this file: the terminal is restored however this ends. `clients/keyboard.py` decides whether a key may start
something.
"""

import argparse
import os
import select
import sys
import time

from drillfeed.daemon.shell.output import unfiltered

EXAMPLES = """\
examples:
  drillfeed keyboard                       the daemon of this machine
  drillfeed keyboard --to 192.0.2.10:7340  a daemon on another machine

keys: space pause or resume, s stop, a arm, g start, y confirm what is offered, n next set, r rest is over, d disarm,
c clear, + and - the last ball was made or missed, q leave (what runs goes on). Ctrl-C, SIGTERM and closing the
terminal stop and leave. Load a drill first: drillfeed send 'load mixed-spin'.
Exit code: 0 left, 2 no terminal, 3 no daemon at the beginning.
"""

LEFT, MISUSED, NO_DAEMON = 0, 2, 3
LOOK_S = 0.2
USUAL_ROWS = 24
HOME, CLEAR_LINE, CLEAR_BELOW = "\x1b[H", "\x1b[K", "\x1b[J"
HIDE_CURSOR, SHOW_CURSOR, CLEAR_SCREEN = "\x1b[?25l", "\x1b[?25h", "\x1b[2J"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this sub-command."""
    parser.add_argument(
        "--to", metavar="HOST:PORT|PATH", help="the daemon; else $DRILLFEED, its socket, 127.0.0.1:7340"
    )


def run(args: argparse.Namespace) -> int:
    """Show the screen and act on keys until the person leaves; return the exit code."""
    return screen(args.to)


def screen(to: str | None, note: str = "") -> int:
    """Show the screen of a daemon, with a note to begin with, until the person leaves; return the exit code."""
    from drillfeed.clients.find import NoDaemon
    from drillfeed.protocol.lines import BrokenReply

    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        print("drillfeed keyboard: needs a terminal; use `drillfeed send` in scripts", file=sys.stderr)
        return MISUSED
    session = Session(to)
    try:
        session.client.connect()
    except ValueError as error:
        print(f"drillfeed keyboard: {error}", file=sys.stderr)
        return MISUSED
    except (NoDaemon, BrokenReply, TimeoutError) as error:
        print(f"drillfeed keyboard: {error}", file=sys.stderr)
        return NO_DAEMON
    session.client.message = note
    return _on_terminal(session)


class Session:
    """A steady client, and what is known of the keys so far."""

    def __init__(self, to: str | None) -> None:
        from drillfeed.clients.steady import SteadyClient

        self.client: SteadyClient = SteadyClient(to)
        self._kept = ""
        self._last_seen_s: dict[str, float] = {}

    def typed(self, text: str, now: float) -> bool:
        """Act on what the terminal sent; return False to leave."""
        from drillfeed.clients.keyboard import keys_of

        keys, self._kept = keys_of(text, self._kept)
        return all(self.key(key, now) for key in keys)

    def key(self, key: str, now: float) -> bool:
        """Act on one key; return False to leave."""
        from drillfeed.clients.keyboard import press

        client = self.client
        since_s = now - self._last_seen_s.get(key.lower(), -1e9)
        self._last_seen_s[key.lower()] = now
        what = press(key, client.snapshot, since_s, now - client.seen_at_s)
        if what.why_not:
            client.message = what.why_not
        if what.stop:
            client.stop()
        elif what.command is not None:
            client.give(what.command)
        return not what.leave


def _on_terminal(session: Session) -> int:
    from drillfeed.clients.ending import stop_before_leaving
    from drillfeed.daemon.shell.logs import draw, tell
    from drillfeed.daemon.subcommands.pedal import keys_as_they_come

    def work() -> int:
        with keys_as_they_come(True):
            _work(session)
        return LEFT

    try:
        return stop_before_leaving(work, lambda: session.key("s", time.monotonic()), LEFT, (TerminalGone,))
    finally:
        session.client.close()
        draw(SHOW_CURSOR)
        tell(f"\n{session.client.message}")


class TerminalGone(Exception):
    """The terminal has hung up, so there are no more keys to stop with."""


def _work(session: Session) -> None:
    """Show the screen and take keys until the person leaves."""
    number = sys.stdin.fileno()
    unfiltered(sys.stdout).write(HIDE_CURSOR + CLEAR_SCREEN)
    while True:
        now = time.monotonic()
        session.client.look(now)
        try:
            _draw(session, now)
            readable, _, _ = select.select([number], [], [], LOOK_S)
            typed = os.read(number, 64).decode("utf-8", "replace") if readable else ""
        except OSError as error:
            raise TerminalGone from error
        if readable and not typed:
            raise TerminalGone
        if readable and not session.typed(typed, time.monotonic()):
            return


def _draw(session: Session, now: float) -> None:
    from drillfeed.clients.keyboard import render

    client = session.client
    size = os.get_terminal_size(sys.stdout.fileno())
    lines = render(client.snapshot, size.columns, client.message, now - client.seen_at_s)
    lines = lines[: (size.lines or USUAL_ROWS) - 1]
    screen = "".join(f"{line}{CLEAR_LINE}\r\n" for line in lines)
    unfiltered(sys.stdout).write(HOME + screen + CLEAR_BELOW + ("\a" if client.cues else ""))
    sys.stdout.flush()
    client.cues.clear()
