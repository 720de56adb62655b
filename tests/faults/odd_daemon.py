"""`python -m tests.faults.odd_daemon KIND serve ...`: the shipped daemon with a mistake that shows in mid-drill.

KIND: `advance`, `receive`, `journal`, `notices`, `desk`: an exception there, each time, for two seconds, from the
moment that the drill has fed for a second; `fsync`: each commit of the journal takes two seconds.
"""

import sys
import time
from collections.abc import Callable
from typing import Any

FOR_S, AFTER_S = 2.0, 1.0


class FileError(Exception):
    """Made on purpose."""


def failing(real: Callable[..., Any], feeding_since: Callable[[], float | None]) -> Callable[..., Any]:
    """Return `real`, but raising for a while once balls are fed."""

    def bent(*args: Any, **words: Any) -> Any:
        since_s = feeding_since()
        if since_s is not None and AFTER_S < time.monotonic() - since_s < AFTER_S + FOR_S:
            raise FileError("made on purpose")
        return real(*args, **words)

    return bent


def main() -> int:
    """Put the mistake in, then run the command line that follows."""
    from drillfeed.daemon.cli import main as command
    from drillfeed.daemon.engine.engine import Engine
    from drillfeed.daemon.engine.mode import Mode
    from drillfeed.daemon.journal.writer import Journal
    from drillfeed.daemon.shell.desk import Desk
    from drillfeed.daemon.shell.line_server import LineServer

    began: list[float] = []
    follow = Mode.follow

    def followed(self: Mode, event: Any, *rest: Any, **words: Any) -> Any:
        if event == "at_speed" and not began:
            began.append(time.monotonic())
        return follow(self, event, *rest, **words)

    Mode.follow = followed  # type: ignore[method-assign]
    owner, name = {
        "advance": (Engine, "advance"),
        "receive": (Engine, "receive"),
        "journal": (Journal, "turn"),
        "notices": (LineServer, "notices_ready"),
        "desk": (Desk, "submit"),
        "fsync": (Journal, "turn"),
    }[sys.argv[1]]
    real = getattr(owner, name)

    def slow(*args: Any, **words: Any) -> Any:
        time.sleep(2.0)
        return real(*args, **words)

    setattr(owner, name, slow if sys.argv[1] == "fsync" else failing(real, lambda: began[0] if began else None))
    return command(sys.argv[2:])


if __name__ == "__main__":
    sys.exit(main())
