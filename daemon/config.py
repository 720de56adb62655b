"""The daemon's configuration: a TOML file, overridden by the command line."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from drillfeed.daemon.drills.profiles import HOUSE_PROFILES, Profiles
from drillfeed.daemon.files import path_of, read_toml
from drillfeed.daemon.validation import FileError, InvalidFile, Table, validate
from drillfeed.protocol.texts.catalogue import text

JOURNAL = "journal.sqlite"
DEFAULT_LISTEN = "127.0.0.1:7340"
DEFAULT_LINK = "tcp://127.0.0.1:7411"
DEFAULT_OBSERVE = "tcp://127.0.0.1:7412"
Endpoint = Annotated[str, Field(pattern=r"^(tcp://[!-~]+:(\d{1,5}|\*)|ipc://\S+)$", max_length=200)]
Place = Annotated[str, Field(pattern=r"^[^\x00-\x1f\x7f]+$", max_length=4000)]


class Config(Table):
    """Where the daemon listens and what it drives."""

    machine: Place = "club-build"
    drills: Place | None = Field(None, description="a folder of your own drills, with balls/ in it")
    listen: Annotated[str, Field(pattern=r"^[!-~]{1,255}:\d{1,5}$", description="HOST:PORT for text commands")] = (
        DEFAULT_LISTEN
    )
    socket: Place | None = Field(None, description="Unix socket for text commands; none if left out")
    link: Endpoint = DEFAULT_LINK
    observe: Endpoint | None = DEFAULT_OBSERVE
    journal: Place | None = Field(None, description="file of the practice journal; the state folder if left out")
    day_balls: Annotated[int, Field(ge=1, description="balls in a day from which on a warning is given")] = 600
    seven_days_balls: Annotated[int, Field(ge=1, description="balls in seven days from which on one is")] = 2400
    players: Profiles = Field(HOUSE_PROFILES, description="limits of each level: [players.junior] and so on")


def read_config(path: Path | None, given: Mapping[str, Any]) -> Config:
    """Return the configuration of a file, overridden by the command line's values; raise InvalidFile."""
    data = read_toml(path) if path is not None else {}
    merged = {**data, **{key: value for key, value in given.items() if value is not None}}
    return validate(Config, merged, str(path) if path else text("config.command-line"))


def host_port(listen: str) -> tuple[str, int]:
    """Return host and port of HOST:PORT; an IPv6 host is in brackets."""
    host, _, port = listen.rpartition(":")
    if int(port) > 65_535:
        raise InvalidFile([FileError("configuration", "listen", text("config.port", port=port), text("config.ports"))])
    return host.strip("[]"), int(port)


def state_folder(environ: Mapping[str, str] | None = None) -> Path:
    """Return the folder for data kept across restarts: $XDG_STATE_HOME/drillfeed, or ~/.local/state/drillfeed."""
    environ = os.environ if environ is None else environ
    root = environ.get("XDG_STATE_HOME")
    try:
        return (Path(root) if root else Path.home() / ".local" / "state") / "drillfeed"
    except RuntimeError:
        wanted = text("config.state-folder")
        raise InvalidFile([FileError("environment", "HOME", "nothing", wanted)]) from None


def journal_file(config: Config, environ: Mapping[str, str] | None = None) -> Path:
    """Return the path of the practice journal."""
    return path_of(config.journal) if config.journal else state_folder(environ) / JOURNAL
