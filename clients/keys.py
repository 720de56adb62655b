"""Keys that pair this user with daemons elsewhere: one for each daemon, in a file that only the user may read.

Rule of this file: a key is sent only to the address that gave it. Nothing on the line is encrypted.
"""

import json
import os
from collections.abc import Mapping
from pathlib import Path

from drillfeed.clients.find import Address

FILE = "keys.json"
MAX_BYTES = 256 * 1024


def keys_file(environ: Mapping[str, str]) -> Path:
    """Return the file of this user's keys: $XDG_STATE_HOME/drillfeed/keys.json, or under ~/.local/state."""
    root = environ.get("XDG_STATE_HOME")
    return (Path(root) if root else Path.home() / ".local" / "state") / "drillfeed" / FILE


def kept_key(address: Address, environ: Mapping[str, str]) -> str | None:
    """Return the key for a daemon, or None; a file that cannot be read counts as empty."""
    if address.path is not None:
        return None
    return _read(keys_file(environ)).get(str(address))


def keep_key(address: Address, key: str | None, environ: Mapping[str, str]) -> None:
    """Keep the key for a daemon, or forget it if `key` is None; raises OSError."""
    file = keys_file(environ)
    keys = {name: kept for name, kept in _read(file).items() if name != str(address)}
    if key is not None:
        keys[str(address)] = key
    file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    beside = file.with_suffix(".new")
    beside.unlink(missing_ok=True)  # a file that a killed writer left, or a pipe that nobody reads
    with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as out:
        json.dump(keys, out, indent=1)
    beside.replace(file)


def _read(file: Path) -> dict[str, str]:
    # The keys are read before anything is sent, even a stop, so a pipe or device at this path must not block.
    try:
        if not file.is_file() or file.stat().st_size > MAX_BYTES:
            return {}
        keys = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    whole = isinstance(keys, dict) and all(isinstance(key, str) for key in keys.values())
    return keys if whole else {}
