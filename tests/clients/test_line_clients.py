"""The typed client against a line server on loopback."""

import inspect
import socket
import threading
from collections.abc import Callable

import pytest

from drillfeed.clients.find import NoDaemon
from drillfeed.clients.lines import Client
from drillfeed.protocol.commands import COMMANDS
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import BrokenReply
from tests.shell.fake_desk import WAIT_S, FakeDesk, serving


def test_every_verb_of_the_table_has_a_method_with_its_arguments() -> None:
    """A method for each row, `_` for `-`, its parameters those of the row in order, optional ones with a default."""
    for verb, row in COMMANDS.items():
        parameters = list(inspect.signature(getattr(Client, verb.replace("-", "_"))).parameters.values())[1:]
        assert [parameter.name for parameter in parameters] == [argument.name for argument in row.arguments], verb
        for parameter, argument in zip(parameters, row.arguments, strict=True):
            only_choice = len(argument.choices) == 1
            assert (parameter.default is not inspect.Parameter.empty) == (argument.optional or only_choice), verb


def test_blocking_client_asks_and_reads_the_state() -> None:
    """Commands arrive with their values, refusals come back as replies, the state as data."""
    desk = FakeDesk()
    with serving(desk) as to, Client.find(to) as client:
        assert client.load("village hall.toml", seed=7).ok
        assert client.start(3).code is not None
        assert client.snapshot().stop_count == 3
        assert client.help().data
        assert client.status().data[0].startswith("state")
        assert client.stop().text == "the feed is closed"
        assert client.quit().ok
        with pytest.raises(NoDaemon):
            client.arm()
    assert [dict(command.values) for command, _ in desk.commands] == [
        {"name": "village hall.toml", "seed": 7},
        {"stop_count": 3},
    ]


def test_client_refuses_before_sending_what_the_table_does_not_have() -> None:
    """A wrong value never reaches the daemon."""
    desk = FakeDesk()
    with serving(desk) as to, Client.find(to) as client:
        with pytest.raises(Refused):
            client.balls(-1)
        with pytest.raises(Refused):
            client.ask("boost")
        with pytest.raises(ValueError, match="newline"):
            client.ask_line("arm\nstart 3")
    assert desk.order == []


def test_stop_now_overtakes_a_reply_that_is_waited_for() -> None:
    """The stop byte from another thread acts while the first waits for `arm`; the answer is a notice."""
    desk = FakeDesk()
    with serving(desk) as to, Client.find(to) as client:
        desk.on_submit = lambda: threading.Thread(target=client.stop_now).start()
        asking = threading.Thread(target=client.arm)
        asking.start()
        spin_until(lambda: len(desk.stops) == 1)
        desk.finish()
        asking.join(WAIT_S)
        told = next(client.notices(WAIT_S))
        assert (told.topic, told.text) == ("stop", "the feed is closed")


def test_watch_gives_notices_with_their_fields() -> None:
    """Notices are given in order and the iterator ends when none comes for the time named."""
    desk = FakeDesk()
    with serving(desk) as to, Client.find(to) as client:
        assert client.watch("json").ok
        desk.happen("one")
        desk.happen("two")
        notices = client.notices(WAIT_S)
        assert [(told.serial, told.text) for told in (next(notices), next(notices))] == [(1, "one"), (2, "two")]
        assert list(client.notices(0.0)) == []


def test_lines_can_be_sent_without_waiting_and_their_replies_taken_later() -> None:
    """`send_line` does not wait; the replies come in order when asked for."""
    desk = FakeDesk()
    with serving(desk) as to, Client.find(to) as client:
        client.send_line("arm")
        client.send_line("balls 3")
        spin_until(lambda: len(desk.held) == 1)
        assert client.take_replies() == ()
        desk.finish()
        got: list[str] = []

        def both_came() -> bool:
            got.extend(reply.verb for reply in client.take_replies())
            return len(got) == 2

        spin_until(both_came)
        assert got == ["arm", "balls"]


def test_answer_that_does_not_come_closes_the_connection() -> None:
    """After a time-out the client cannot mistake a late reply for the next one."""
    desk = FakeDesk()
    with serving(desk) as to, Client.find(to, answer_s=0.0) as client:
        with pytest.raises(TimeoutError):
            client.arm()
        with pytest.raises(NoDaemon):
            client.stop_now()


def test_another_program_at_the_address_is_told_apart() -> None:
    """What does not speak this protocol is found out at its first line."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        client = Client.find(f"127.0.0.1:{listener.getsockname()[1]}")
        other, _ = listener.accept()
        with other, client:
            other.sendall(b"220 welcome\r\n")
            with pytest.raises(BrokenReply):
                client.arm()


def spin_until(true: Callable[[], bool]) -> None:
    """Wait for what another thread does; fail after ten seconds."""
    waiting = threading.Event()
    for _ in range(2_000):
        if true():
            return
        waiting.wait(0.005)
    raise AssertionError("it did not happen in ten seconds")
