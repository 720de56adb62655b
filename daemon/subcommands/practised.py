"""Arguments and reading that plan, report and export share: the journal, the player, the day."""

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlite3
    from datetime import date

    from drillfeed.daemon.config import Config
    from drillfeed.daemon.journal.knowledge import Knowledge
    from drillfeed.daemon.journal.players import Player


@dataclass(frozen=True)
class Practised:
    """An open journal, the player (None: sets of nobody in particular), what is known of both, the configuration."""

    connection: "sqlite3.Connection"
    config: "Config"
    player: "Player | None"
    knowledge: "Knowledge"
    names: bool

    @property
    def shown_name(self) -> str:
        """Return the player's name; for a junior a number instead, unless names were asked for."""
        if self.player is None:
            return "nobody named"
        if self.player.level == "junior" and not self.names:
            return f"player-{self.player.id}"
        return self.player.name


def add_practised(parser: argparse.ArgumentParser) -> None:
    """Add `--player`, `--journal`, `--config`, `--day` and `--names`."""
    parser.add_argument("--player", metavar="P", help="whose practice (sets without a player)")
    parser.add_argument("--journal", metavar="FILE", help="the journal (journal.sqlite in the state folder)")
    parser.add_argument("--config", metavar="FILE", help="the daemon's TOML file, for its journal and limits")
    parser.add_argument("--day", metavar="DAY", help="as on this day, YYYY-MM-DD (today)")
    parser.add_argument("--names", action="store_true", help="write names, of juniors too, instead of numbers")


def day_of(text: str | None) -> "date":
    """Return the day of an argument, today if it is None; raise Refused."""
    from datetime import date

    from drillfeed.protocol.errors import Refused

    try:
        return date.today() if text is None else date.fromisoformat(text)
    except ValueError:
        raise Refused("bad-argument", "the day", expected="YYYY-MM-DD", found=str(text)) from None


def with_practice(args: argparse.Namespace, command: str, act: Callable[[Practised], int]) -> int:
    """Read the practice and call `act`; print what is wrong and return 2 if it can't be read."""
    import contextlib
    import sqlite3
    import sys
    from pathlib import Path

    from drillfeed.daemon.config import journal_file, read_config
    from drillfeed.daemon.journal.knowledge import Knowledge
    from drillfeed.daemon.journal.players import find_player
    from drillfeed.daemon.journal.practice import read_practice
    from drillfeed.daemon.journal.schema import NotOurs, open_to_read
    from drillfeed.daemon.learning.planner import TooShort
    from drillfeed.daemon.planning.setting import NotPossible
    from drillfeed.daemon.validation import InvalidFile
    from drillfeed.protocol.errors import Refused

    try:
        day = day_of(args.day)
        config = read_config(Path(args.config) if args.config else None, {"journal": args.journal})
        with contextlib.closing(open_to_read(journal_file(config))) as connection:
            player = find_player(connection, args.player) if args.player is not None else None
            sets = read_practice(connection, player.id if player else None)
            known = Knowledge(tuple(some for some in sets if some.day <= day), day)
            return act(Practised(connection, config, player, known, args.names))
    except InvalidFile as error:
        print(error, file=sys.stderr)
    except (Refused, NotOurs, NotPossible, TooShort, sqlite3.Error, OSError, ImportError) as error:
        text = error.text if isinstance(error, Refused) else str(error)
        print(f"drillfeed {command}: {text}", file=sys.stderr)
    except (TypeError, ValueError, OverflowError) as error:
        print(f"drillfeed {command}: the journal holds what makes no sense: {error}", file=sys.stderr)
    return 2
