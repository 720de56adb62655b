"""Where clients look for the daemon."""

import socket
from pathlib import Path

import pytest

from drillfeed.clients.find import SYSTEM_SOCKET, Address, NoDaemon, connect, places, read_address


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("127.0.0.1:7340", Address("127.0.0.1", 7340)),
        (":7341", Address("127.0.0.1", 7341)),
        ("[::1]:7340", Address("::1", 7340)),
        ("hall:1", Address("hall", 1)),
        ("/run/a.sock", Address(path=Path("/run/a.sock"))),
        ("./a", Address(path=Path("a"))),
        ("a.sock", Address(path=Path("a.sock"))),
        ("/odd:7340", Address(path=Path("/odd:7340"))),
    ],
)
def test_address_is_a_host_with_port_or_a_path(text: str, wanted: Address) -> None:
    """Anything with a slash is a path, anything else has a port."""
    assert read_address(text) == wanted
    assert read_address(str(wanted)) == wanted


@pytest.mark.parametrize("text", ["", "hall", "hall:", "hall:x", "hall:0", "hall:65536", "hall:-1"])
def test_what_is_no_address_is_refused_with_what_was_expected(text: str) -> None:
    """A slip is told at once and never leads to another daemon."""
    with pytest.raises(ValueError, match="is no address"):
        read_address(text)


def test_argument_comes_before_variable_before_sockets_before_loopback() -> None:
    """A named place is the only one tried; else the user's socket, the system's, and loopback."""
    environ = {"DRILLFEED": "/home/player/own.sock", "XDG_RUNTIME_DIR": "/run/user/7"}
    assert places("hall:1", environ) == (Address("hall", 1),)
    assert places(None, environ) == (Address(path=Path("/home/player/own.sock")),)
    del environ["DRILLFEED"]
    user = Address(path=Path("/run/user/7/drillfeed.sock"))
    assert places(None, environ) == (user, Address(path=SYSTEM_SOCKET), Address())
    assert places(None, {}) == (Address(path=SYSTEM_SOCKET), Address())


def test_first_place_that_answers_is_taken_and_failure_names_all(tmp_path: Path) -> None:
    """A dead socket is passed over; when nothing answers, the text names every place."""
    nowhere = Address(path=tmp_path / "none.sock")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        alive = Address("127.0.0.1", listener.getsockname()[1])
        sock, address = connect((nowhere, alive), 5.0)
        sock.close()
        assert address == alive
    with pytest.raises(NoDaemon) as caught:
        connect((nowhere, alive), 5.0)
    assert str(nowhere) in str(caught.value) and str(alive) in str(caught.value)
