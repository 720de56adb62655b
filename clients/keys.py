"""Keys that pair this user with daemons elsewhere, one a daemon, kept for their owner's eyes only.

Rule of this file: a key is sent to the address that gave it and to no other. Nothing on the line is encrypted.
"""

import json
import os
from collections.abc import Mapping
from pathlib import Path

from drillfeed.clients.find import Address

FILE = "keys.json"
MOST_BYTES = 256 * 1024


def keys_file(environ: Mapping[str, str]) -> Path:
    """Return where the keys of this user lie: $XDG_STATE_HOME/drillfeed/keys.json, or under ~/.local/state."""
    root = environ.get("XDG_STATE_HOME")
    return (Path(root) if root else Path.home() / ".local" / "state") / "drillfeed" / FILE


def kept_key(address: Address, environ: Mapping[str, str]) -> str | None:
    """Return the key for a daemon, or None; a file that cannot be read holds none."""
    if address.path is not None:
        return None
    return _read(keys_file(environ)).get(str(address))


def keep_key(address: Address, key: str | None, environ: Mapping[str, str]) -> None:
    """Keep the key for a daemon, or with None forget it; raises OSError."""
    file = keys_file(environ)
    keys = {name: one for name, one in _read(file).items() if name != str(address)}
    if key is not None:
        keys[str(address)] = key
    file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    beside = file.with_suffix(".new")
    beside.unlink(missing_ok=True)  # what a killed writer left, or a pipe that nobody reads
    with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as out:
        json.dump(keys, out, indent=1)
    beside.replace(file)


def _read(file: Path) -> dict[str, str]:
    # The keys are asked for before anything is sent, a stop too: a pipe or a device here must keep nobody waiting.
    try:
        if not file.is_file() or file.stat().st_size > MOST_BYTES:
            return {}
        keys = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    whole = isinstance(keys, dict) and all(isinstance(one, str) for one in keys.values())
    return keys if whole else {}
