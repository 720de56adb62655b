"""Who may be player or coach from elsewhere: codes that are shown, keys that are kept as hashes, tries slowed.

Rule of this file: no password of its own, and no secret at rest. A code lives in memory, for two minutes and for one
client; a key is kept as a salted hash. Time is an argument. A stop never comes by here.
"""

import hashlib
import hmac
import json
import os
import secrets
from collections import OrderedDict
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Literal

import structlog

from drillfeed.daemon.shell.callers import household
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.spec import Role

FILE = "paired.json"
CODE_DIGITS = 6
CODE_S = 120.0
CODE_TRIES_MOST = 20  # wrong ones from anywhere: one in 50,000 to guess a code, however many addresses try
KEY_BYTES = 24
SALT_BYTES = 16
CLIENTS_MOST = 64
FREE_TRIES = 3
LONGEST_WAIT_S = 300.0
FORGET_S = 3600.0
ADDRESSES_MOST = 1024
PairedRole = Literal["player", "coach"]
ROLES: tuple[PairedRole, ...] = ("player", "coach")


@dataclass(frozen=True)
class Paired:
    """One client that holds a key: its number, its role, since when (seconds of the calendar), and the hash."""

    client: str
    role: PairedRole
    since: int
    salt: str
    digest: str


@dataclass(frozen=True)
class Code:
    """A code that is shown just now."""

    digits: str
    role: PairedRole
    until_s: float
    wrong: int = 0


@dataclass(frozen=True)
class Tries:
    """The wrong tries of one address."""

    wrong: int
    last_s: float
    not_before_s: float


@dataclass(frozen=True)
class Entered:
    """Who has shown a code or a key; `key` is set where it was a code, and is told this once."""

    client: str
    role: Role
    key: str | None = None


class Pairings:
    """The codes that are shown, the clients that are paired, and the tries of each address."""

    def __init__(self, file: Path | None = None) -> None:
        self._file = file
        self._codes: dict[PairedRole, Code] = {}
        self._tries: OrderedDict[str, Tries] = OrderedDict()
        self.clients: tuple[Paired, ...] = () if file is None else _read(file)

    def show_code(self, role: PairedRole, now_s: float) -> str:
        """Make a code for one client; one shown earlier for that role is over."""
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
            raise Refused("wait", "too many wrong codes or keys", do=f"wait {wait_s:.0f} s; stop and pause stay open")
        entered = self._by_code(secret, now_s, today) or self._by_key(secret)
        if entered is None:
            self._count_wrong(place, tries, now_s)
            raise Refused(
                "not-paired",
                "no such code or key",
                expected=f"a code not older than {CODE_S:g} s and not used yet, or a key that was given",
                do="have a new one shown on the machine: pairing player, or pairing coach",
            )
        self._tries.pop(place, None)
        return entered

    def forget(self, client: str) -> tuple[str, ...]:
        """Drop one client, or `all`; returns the numbers dropped; raises Refused (unknown-name)."""
        dropped = tuple(one.client for one in self.clients if client in (one.client, "all"))
        if not dropped and client != "all":
            raise Refused("unknown-name", f"no client {client[:20]} is paired", do="paired")
        self.clients = tuple(one for one in self.clients if one.client not in dropped)
        return dropped

    def save(self) -> None:
        """Write the clients down, for their owner's eyes only; raises OSError. May take as long as the disk does."""
        if self._file is None:
            return
        self._file.parent.mkdir(parents=True, exist_ok=True)
        beside = self._file.with_suffix(".new")
        with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as out:
            json.dump([asdict(one) for one in self.clients], out, indent=1)
            out.flush()
            os.fsync(out.fileno())
        beside.replace(self._file)

    def _by_code(self, secret: str, now_s: float, today: int) -> Entered | None:
        if len(secret) != CODE_DIGITS:
            return None
        for role, code in list(self._codes.items()):
            if now_s > code.until_s:
                del self._codes[role]
            elif hmac.compare_digest(code.digits.encode(), secret.encode()):
                del self._codes[role]
                return self._admit(role, today)
            elif code.wrong + 1 >= CODE_TRIES_MOST:
                del self._codes[role]
            else:
                self._codes[role] = replace(code, wrong=code.wrong + 1)
        return None

    def _admit(self, role: PairedRole, today: int) -> Entered:
        if len(self.clients) >= CLIENTS_MOST:
            raise Refused("busy", f"{CLIENTS_MOST} clients are paired already", do="paired, then: unpair N")
        taken = {one.client for one in self.clients}
        client = next(name for name in iter(lambda: secrets.token_hex(2), "") if name not in taken)
        key, salt = secrets.token_urlsafe(KEY_BYTES), secrets.token_bytes(SALT_BYTES)
        self.clients = (*self.clients, Paired(client, role, today, salt.hex(), _digest(key, salt)))
        return Entered(client, role, f"{client}.{key}")

    def _by_key(self, secret: str) -> Entered | None:
        client, _, key = secret.partition(".")
        for one in self.clients:
            if one.client == client and hmac.compare_digest(_digest(key, bytes.fromhex(one.salt)), one.digest):
                return Entered(one.client, one.role)
        return None

    def _count_wrong(self, place: str, tries: Tries | None, now_s: float) -> None:
        wrong = 1 + (tries.wrong if tries else 0)
        wait_s = 0.0 if wrong < FREE_TRIES else min(2.0 ** (wrong - FREE_TRIES), LONGEST_WAIT_S)
        self._tries[place] = Tries(wrong, now_s, now_s + wait_s)
        self._tries.move_to_end(place)
        if len(self._tries) > ADDRESSES_MOST:
            self._tries.popitem(last=False)


def _digest(key: str, salt: bytes) -> str:
    # A key is 24 random bytes: there is nothing to guess that a slow hash would have to protect.
    return hashlib.blake2b(key.encode(), salt=salt, digest_size=32).hexdigest()


def _read(file: Path) -> tuple[Paired, ...]:
    """Read the clients; a file that cannot be read pairs nobody, and is put aside."""
    try:
        entries = json.loads(file.read_text(encoding="utf-8"))
        clients = tuple(Paired(**entry) for entry in entries)
        if all(one.role in ROLES and len(bytes.fromhex(one.salt)) == SALT_BYTES for one in clients):
            return clients
        raise ValueError("a role or a salt is not as written here")
    except FileNotFoundError:
        return ()
    except (OSError, ValueError, TypeError, AttributeError) as wrong:
        structlog.get_logger("pairing").warning("nobody is paired: the file cannot be read", error=str(wrong))
        file.replace(file.with_suffix(".unreadable"))
        return ()
