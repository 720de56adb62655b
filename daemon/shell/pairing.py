"""Who may be player or coach from elsewhere: codes that are shown, keys kept as hashes, and waits after wrong tries.

Rule of this file: there is no password, and no secret is stored. A code stays in memory, for two minutes and one
client; a key is kept as a salted hash. Time is an argument. A stop never passes through here.
"""

import hashlib
import hmac
import json
import secrets
from collections import OrderedDict
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from drillfeed.daemon.files import or_set_aside, read_json, write_whole
from drillfeed.daemon.shell.callers import household
from drillfeed.daemon.validation import Table, validate
from drillfeed.protocol.errors import refuse
from drillfeed.protocol.spec import Role

FILE = "paired.json"
CODE_DIGITS = 6
CODE_S = 120.0
MAX_CODE_TRIES = 20  # wrong tries from all addresses together: the chance to guess a code is 1 in 50,000
KEY_BYTES = 24
SALT_BYTES = 16
DIGEST_BYTES = 32
LATEST_S = 253_402_300_799  # the end of the year 9999, the last year that `datetime` knows
MAX_CLIENTS = 64
FREE_TRIES = 3
LONGEST_WAIT_S = 300.0
FORGET_S = 3600.0
MAX_ADDRESSES = 1024
PairedRole = Literal["player", "coach"]


class Paired(Table):
    """One client that holds a key: its number, its role, since when (seconds of the calendar), and the hash."""

    client: Annotated[str, Field(pattern="^[0-9a-f]{4}$")]
    role: PairedRole
    since: Annotated[int, Field(ge=0, le=LATEST_S)]
    salt: Annotated[str, Field(pattern=f"^[0-9a-f]{{{2 * SALT_BYTES}}}$")]
    digest: Annotated[str, Field(pattern=f"^[0-9a-f]{{{2 * DIGEST_BYTES}}}$")]


class _File(Table):
    clients: Annotated[tuple[Paired, ...], Field(max_length=MAX_CLIENTS)]


@dataclass(frozen=True)
class Code:
    """A code that is shown at present."""

    digits: str
    role: PairedRole
    until_s: float
    wrong_tries: int = 0


@dataclass(frozen=True)
class Tries:
    """The wrong tries of one address."""

    wrong_tries: int
    last_s: float
    not_before_s: float


@dataclass(frozen=True)
class Entered:
    """Who has shown a code or a key. After a code, `key` holds the client's new key; it is told only this once."""

    client: str
    role: Role
    key: str | None = None


class Pairings:
    """The codes that are shown, the clients that are paired, and the tries of each address."""

    def __init__(self, file: Path | None = None) -> None:
        self._file = file
        self._codes: dict[PairedRole, Code] = {}
        self._tries: OrderedDict[str, Tries] = OrderedDict()
        self.notes: list[str] = []
        """What was wrong with the file if it could not be used; nobody is paired then."""
        self.clients: tuple[Paired, ...] = ()
        if file is not None:
            self.clients = or_set_aside(lambda: _read(file), file, (), self.notes)

    def show_code(self, role: PairedRole, now_s: float) -> str:
        """Make a code for one client; an earlier code for that role lapses."""
        digits = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"
        self._codes[role] = Code(digits, role, now_s + CODE_S)
        return digits

    def enter(self, secret: str, address: str, now_s: float, today: int) -> Entered:
        """Check a code or a key that `address` shows; raises Refused (wait, not-paired, busy)."""
        place = household(address)
        tries = self._tries.get(place)
        if tries is not None and now_s - tries.last_s > FORGET_S:
            tries = None
        if tries is not None and now_s < tries.not_before_s:
            wait_s = tries.not_before_s - now_s
            raise refuse("pairing.wait", wait_s=wait_s)
        entered = self._by_code(secret, now_s, today) or self._by_key(secret)
        if entered is None:
            self._count_wrong(place, tries, now_s)
            raise refuse("pairing.unknown-code", seconds=CODE_S)
        self._tries.pop(place, None)
        return entered

    def forget(self, client: str) -> tuple[str, ...]:
        """Drop one client, or `all`; returns the numbers dropped; raises Refused (unknown-name)."""
        dropped = tuple(paired.client for paired in self.clients if client in (paired.client, "all"))
        if not dropped and client != "all":
            raise refuse("pairing.unknown-client", client=client[:20])
        self.clients = tuple(paired for paired in self.clients if paired.client not in dropped)
        return dropped

    def save(self) -> None:
        """Save the clients in a file that only its owner may read; raises OSError. A slow disk makes this slow."""
        if self._file is not None:
            write_whole(self._file, json.dumps([paired.model_dump() for paired in self.clients], indent=1))

    def _by_code(self, secret: str, now_s: float, today: int) -> Entered | None:
        if len(secret) != CODE_DIGITS:
            return None
        for role, code in list(self._codes.items()):
            if now_s > code.until_s:
                del self._codes[role]
            elif hmac.compare_digest(code.digits.encode(), secret.encode()):
                del self._codes[role]
                return self._admit(role, today)
            elif code.wrong_tries + 1 >= MAX_CODE_TRIES:
                del self._codes[role]
            else:
                self._codes[role] = replace(code, wrong_tries=code.wrong_tries + 1)
        return None

    def _admit(self, role: PairedRole, today: int) -> Entered:
        if len(self.clients) >= MAX_CLIENTS:
            raise refuse("pairing.full", clients=MAX_CLIENTS)
        taken = {paired.client for paired in self.clients}
        client = next(name for name in iter(lambda: secrets.token_hex(2), "") if name not in taken)
        key, salt = secrets.token_urlsafe(KEY_BYTES), secrets.token_bytes(SALT_BYTES)
        paired = Paired(client=client, role=role, since=today, salt=salt.hex(), digest=_digest(key, salt))
        self.clients = (*self.clients, paired)
        return Entered(client, role, f"{client}.{key}")

    def _by_key(self, secret: str) -> Entered | None:
        client, _, key = secret.partition(".")
        for paired in self.clients:
            if paired.client == client and hmac.compare_digest(_digest(key, bytes.fromhex(paired.salt)), paired.digest):
                return Entered(paired.client, paired.role)
        return None

    def _count_wrong(self, place: str, tries: Tries | None, now_s: float) -> None:
        wrong_tries = 1 + (tries.wrong_tries if tries else 0)
        wait_s = 0.0 if wrong_tries < FREE_TRIES else min(2.0 ** (wrong_tries - FREE_TRIES), LONGEST_WAIT_S)
        self._tries[place] = Tries(wrong_tries, now_s, now_s + wait_s)
        self._tries.move_to_end(place)
        if len(self._tries) > MAX_ADDRESSES:
            self._tries.popitem(last=False)


def _digest(key: str, salt: bytes) -> str:
    # A key is 24 random bytes. Nobody can guess it, so a slow hash would add nothing.
    return hashlib.blake2b(key.encode(), salt=salt, digest_size=DIGEST_BYTES).hexdigest()


def _read(file: Path) -> tuple[Paired, ...]:
    """Read the clients; raise NoFile or InvalidFile."""
    return validate(_File, {"clients": read_json(file, own=True)}, str(file)).clients
