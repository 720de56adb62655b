"""`drillfeed probe-driver` over a real socket: what it prints, how it ends, and that it turns nothing unasked."""

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest

from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.clients.drivers.link_loop import Ending, run_link
from drillfeed.clients.probe.probe import TABLE
from drillfeed.daemon.cli import main
from tests.probe.broken import BROKEN
from tests.probe.virtual_bench import TRAITS, sound_driver
from tests.support.other_languages import free_port

JOIN_S = 5.0


@contextmanager
def driving(core: DriverCore) -> Iterator[str]:
    """Let a driver run in a thread; yield the endpoint where it looks for its daemon."""
    endpoint, ending = f"tcp://127.0.0.1:{free_port()}", Ending()
    thread = threading.Thread(target=run_link, args=(core, endpoint, ending))
    thread.start()
    try:
        yield endpoint
    finally:
        ending.asked = True
        thread.join(JOIN_S)
    assert not thread.is_alive()


def test_a_broken_driver_is_told_its_clause(capsys: pytest.CaptureFixture[str]) -> None:
    """Over a real socket a driver that obeys only its own session's stops fails at that check; the exit status is 1."""
    broken = next(broken for broken in BROKEN if broken.first == "stops")
    core = sound_driver(time.monotonic(), replace(TRAITS, simulated=True))
    broken.how(core)
    with driving(core) as endpoint:
        status = main(["probe-driver", "--link", endpoint, "--yes", "--only", "pong", "arms", "stops"])
    told = capsys.readouterr().out
    assert status == 1 and "first: stops, L18 of LINK.md" in told
    assert "2 hold, 1 fail" in told


def test_a_sound_driver_passes_in_json(capsys: pytest.CaptureFixture[str]) -> None:
    """`--json` prints one object with each check, its clause and what was seen; the exit status is 0."""
    with driving(sound_driver(time.monotonic())) as endpoint:
        status = main(["probe-driver", "--link", endpoint, "--yes", "--json", "--only", "pong", "watchdog"])
    told = json.loads(capsys.readouterr().out)
    assert status == 0 and told["holds"] and told["driver"]["driver"] == TRAITS.name
    assert [(check["name"], check["clause"], check["result"]) for check in told["checks"]] == [
        ("pong", "L7", "holds"),
        ("watchdog", "L16", "holds"),
    ]


def test_yes_is_for_simulated_drivers_only(capsys: pytest.CaptureFixture[str]) -> None:
    """With nobody to ask, a driver that does not say that it is simulated is not turned, and the table says why."""
    core = sound_driver(time.monotonic(), replace(TRAITS, simulated=False))
    with driving(core) as endpoint:
        status = main(["probe-driver", "--link", endpoint, "--yes", "--only", "pong", "arms", "one-ball"])
    told = capsys.readouterr().out
    assert status == 0 and "1 hold, 2 not run" in told
    assert "nobody to ask, and the driver does not say that it is simulated" in told and core.mode == "disarmed"


def test_no_driver_is_an_exit_status_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    """Where no driver comes in the time given the exit status is 3."""
    assert main(["probe-driver", "--link", f"tcp://127.0.0.1:{free_port()}", "--wait", "0.1"]) == 3
    assert "no driver came" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--only", "no-such"), "no check no-such"),
        ((), "--link ENDPOINT is missing"),
        (("--link", "nowhere"), "nowhere"),
    ],
    ids=["unknown check", "no endpoint", "bad endpoint"],
)
def test_a_wrong_command_line_says_what_is_wrong(
    words: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The exit status is 2 and the text names the word."""
    assert main(["probe-driver", *words]) == 2
    assert told in capsys.readouterr().err


def test_the_table_can_be_read_without_a_driver(capsys: pytest.CaptureFixture[str]) -> None:
    """`--list` prints each check with its clause."""
    assert main(["probe-driver", "--list"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == len(TABLE)
