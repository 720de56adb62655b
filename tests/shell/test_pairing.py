"""Codes, keys and wrong tries, with time as an argument."""

from pathlib import Path

import pytest

from drillfeed.daemon.shell.pairing import (
    CODE_S,
    FORGET_S,
    LONGEST_WAIT_S,
    MAX_ADDRESSES,
    MAX_CLIENTS,
    MAX_CODE_TRIES,
    Pairings,
)
from drillfeed.protocol.errors import Refused

DAY = 1_700_000_000


def refused(pairings: Pairings, secret: str, address: str, now_s: float) -> str:
    """Return the code of the refusal."""
    with pytest.raises(Refused) as caught:
        pairings.enter(secret, address, now_s, DAY)
    return caught.value.code.name


def not_(code: str) -> str:
    return "999999" if code != "999999" else "999998"


def test_a_code_is_over_after_two_minutes_and_a_newer_one_replaces_it() -> None:
    """At its last second a code holds, a moment later not; of two codes for one role only the newer holds."""
    pairings = Pairings()
    old, new = pairings.show_code("coach", 0.0), pairings.show_code("coach", 1.0)
    if old != new:
        assert refused(pairings, old, "192.0.2.1", 2.0) == "not-paired"
    assert pairings.enter(new, "192.0.2.1", 1.0 + CODE_S, DAY).role == "coach"
    late = pairings.show_code("coach", 0.0)
    assert refused(pairings, late, "192.0.2.2", CODE_S + 0.1) == "not-paired"


def test_waits_double_up_to_five_minutes_and_are_forgotten() -> None:
    """Two wrong tries are free; from the third on the wait doubles; an hour later, or after a right one, it is gone."""
    pairings = Pairings()
    now_s = 0.0
    for wait_s in (0.0, 0.0, *(2.0**n for n in range(9)), LONGEST_WAIT_S, LONGEST_WAIT_S):
        assert refused(pairings, "no.key", "192.0.2.1", now_s) == "not-paired"
        if wait_s:
            assert refused(pairings, "no.key", "192.0.2.1", now_s + wait_s - 0.01) == "wait"
        now_s += wait_s
    code = pairings.show_code("player", now_s + FORGET_S + 1)
    assert pairings.enter(code, "192.0.2.1", now_s + FORGET_S + 2, DAY).key is not None


def test_a_code_dies_of_twenty_wrong_tries_from_anywhere() -> None:
    """Many addresses together get no more tries at one code than twenty."""
    pairings = Pairings()
    code = pairings.show_code("player", 0.0)
    for n in range(MAX_CODE_TRIES):
        assert refused(pairings, not_(code), f"198.51.100.{n}", 1.0) == "not-paired"
    assert refused(pairings, code, "203.0.113.1", 2.0) == "not-paired"


def test_one_household_of_ipv6_counts_as_one_address() -> None:
    """Changing the lower half of an IPv6 address is no way round the wait; another /64 is another household."""
    pairings = Pairings()
    for n in range(3):
        assert refused(pairings, "no.key", f"2001:db8:1:1::{n}", 0.0) == "not-paired"
    assert refused(pairings, "no.key", "2001:db8:1:1::ffff", 0.1) == "wait"
    assert refused(pairings, "no.key", "2001:db8:1:2::1", 0.1) == "not-paired"
    for _ in range(3):
        refused(pairings, "no.key", "::ffff:192.0.2.9", 0.0)
    assert refused(pairings, "no.key", "192.0.2.9", 0.1) == "wait"


def test_what_is_kept_stays_bounded() -> None:
    """Neither addresses nor clients grow without end."""
    pairings = Pairings()
    for n in range(MAX_ADDRESSES + 50):
        refused(pairings, "no.key", f"2001:db8:{n:x}::1", 0.0)
    assert len(pairings._tries) == MAX_ADDRESSES
    for n in range(MAX_CLIENTS):
        pairings.enter(pairings.show_code("coach", 0.0), f"192.0.2.{n}", 1.0, DAY)
    assert refused(pairings, pairings.show_code("coach", 0.0), "192.0.2.250", 1.0) == "busy"
    assert len({client.client for client in pairings.clients}) == MAX_CLIENTS


@pytest.mark.parametrize(
    "text",
    ["", "{", "[1]", '[{"client": "aa"}]', '[{"client":"a","role":"owner","since":1,"salt":"00","digest":"x"}]', "\0"],
)
def test_a_broken_file_pairs_nobody_and_is_put_aside(text: str, tmp_path: Path) -> None:
    """A file that cannot be read opens no door, makes no role, and does not keep the daemon from coming up."""
    file = tmp_path / "paired.json"
    file.write_text(text)
    assert Pairings(file).clients == ()
    (aside,) = tmp_path.glob("paired.json.unusable-*")
    assert not file.exists() and aside.read_text() == text


def test_a_key_of_one_client_is_no_key_of_another(tmp_path: Path) -> None:
    """The number in front of a key only finds the client; the key must be its own."""
    pairings = Pairings(tmp_path / "state" / "paired.json")
    first = pairings.enter(pairings.show_code("player", 0.0), "192.0.2.1", 0.0, DAY)
    two = pairings.enter(pairings.show_code("coach", 0.0), "192.0.2.2", 0.0, DAY)
    assert first.key is not None and two.key is not None
    crossed = f"{two.client}.{first.key.split('.')[1]}"
    assert refused(pairings, crossed, "192.0.2.3", 0.0) == "not-paired"
    pairings.save()
    again = Pairings(tmp_path / "state" / "paired.json")
    assert again.enter(two.key, "192.0.2.2", 0.0, DAY).role == "coach"
    assert again.enter(first.key, "192.0.2.2", 0.0, DAY).client == first.client
