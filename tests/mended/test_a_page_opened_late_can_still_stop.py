"""The phone page's server with all places taken by pages that say nothing."""

import asyncio
import contextlib

import pytest
from websockets.exceptions import ConnectionClosed

from drillfeed.clients.lines import Client
from drillfeed.clients.phone.places import MAX_DOOR, MAX_WAITING
from tests.shell.fake_desk import FakeDesk, serving
from tests.support.phone_rig import WAIT_S, ask, full_house, knocks, opened, phone


def key_from(to: str) -> str:
    """Pair as the player with a code, and return the key."""
    with Client.find(to) as local, Client.find(to) as phone_client:
        phone_client.relay("192.0.2.9")
        code = local.invite("player").data[0].removeprefix("code ")
        return phone_client.pair(code).data[1].removeprefix("key ")


def test_a_page_that_finds_no_place_can_stop_and_pause() -> None:
    """With every place taken, stop and pause have a door of their own, and are answered there."""
    desk = FakeDesk(state="FEEDING")

    async def story(port: int) -> None:
        async with full_house(port):
            assert (await knocks(port, "\x18")).startswith("done stop")
            assert (await knocks(port, "stop")).startswith("done stop")
            assert (await knocks(port, "pause")).startswith("done pause")

    with serving(desk) as to, phone(to) as port:
        asyncio.run(story(port))
    assert desk.order == ["stop", "stop", "pause"]
    assert {caller.role for caller in desk.stops} == {"anyone"}


def test_sockets_that_say_nothing_do_not_fill_the_small_door() -> None:
    """Far more silent sockets than it holds, from one address and from many: the next one stops at once."""
    desk = FakeDesk()

    async def story(port: int) -> None:
        async with contextlib.AsyncExitStack() as stack:
            for n in range(3 * MAX_DOOR):
                await stack.enter_async_context(opened(port, "/door", f"127.0.1.{1 + n % 100}"))
                if n % MAX_DOOR == 0:
                    assert (await knocks(port, "\x18", "127.0.1.1")).startswith("done stop")
            assert (await knocks(port, "\x18")).startswith("done stop")

    with serving(desk) as to, phone(to) as port:
        asyncio.run(story(port))
    assert desk.order == ["stop"] * 4


@pytest.mark.parametrize("word", ["arm", "start 3", "stop\narm", "pair 123456", "x" * 400, b"stop"])
def test_nothing_but_stop_and_pause_passes_the_small_door(word: str | bytes) -> None:
    """Any other word closes that socket, and the daemon never hears of it."""
    desk = FakeDesk(state="ARMED")

    async def story(port: int) -> None:
        async with opened(port, "/door") as door:
            await door.send(word)
            with pytest.raises(ConnectionClosed):
                await asyncio.wait_for(door.recv(), WAIT_S)

    with serving(desk) as to, phone(to) as port:
        asyncio.run(story(port))
    assert desk.order == []


def test_a_paired_client_has_a_place_when_all_others_are_taken() -> None:
    """With its key it gets in and is the player; without one, or with a wrong one, nobody does."""
    desk = FakeDesk(state="ARMED")

    async def story(port: int, key: str) -> None:
        async with full_house(port), opened(port, "/paired", "127.0.0.200") as page:
            assert (await ask(page, f"pair {key}"))[0] == "| role player"
            for first in ("status", "pair 000000", "pair 1234.wrong"):
                async with opened(port, "/paired", "127.0.0.201") as stranger:
                    with pytest.raises(ConnectionClosed):
                        await stranger.send(first)
                        while True:
                            await asyncio.wait_for(stranger.recv(), WAIT_S)
            assert (await ask(page, "start 3"))[-1].startswith("done start")

    with serving(desk) as to, phone(to) as port:
        asyncio.run(story(port, key_from(to)))
    assert desk.order == ["start"]


def test_sockets_that_say_nothing_do_not_keep_a_paired_client_out() -> None:
    """Those that wait to pair and never do make room for the next; who has paired is never cut off for them."""
    desk = FakeDesk(state="ARMED")

    async def story(port: int, key: str) -> None:
        async with contextlib.AsyncExitStack() as stack:
            first = await stack.enter_async_context(opened(port, "/paired"))
            assert (await ask(first, f"pair {key}"))[0] == "| role player"
            for n in range(3 * MAX_WAITING):
                await stack.enter_async_context(opened(port, "/paired", f"127.0.1.{1 + n}"))
            last = await stack.enter_async_context(opened(port, "/paired", "127.0.0.200"))
            assert (await ask(last, f"pair {key}"))[0] == "| role player"
            assert (await ask(first, "pause"))[-1].startswith("done pause")

    with serving(desk) as to, phone(to) as port:
        asyncio.run(story(port, key_from(to)))
    assert desk.order == ["pause"]


def test_the_small_door_works_again_after_the_daemon_was_gone() -> None:
    """Without a daemon it says so; with the next one it stops."""
    desk = FakeDesk()

    async def until_answered(port: int, start: str) -> None:
        async with asyncio.timeout(WAIT_S):
            while not (await knocks(port, "\x18")).startswith(start):
                await asyncio.sleep(0.02)

    with contextlib.ExitStack() as page:
        with serving(desk) as to:
            port = page.enter_context(phone(to))
            asyncio.run(until_answered(port, "done stop"))
        asyncio.run(until_answered(port, "no daemon"))
        again = FakeDesk()
        with serving(again, int(to.rpartition(":")[2])):
            asyncio.run(until_answered(port, "done stop"))
    assert again.order[-1] == "stop"
