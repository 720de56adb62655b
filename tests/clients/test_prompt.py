"""The prompt: lines typed by hand against a line server, and its terminal without one."""

import io
from pathlib import Path

import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.completion import CompleteEvent
from prompt_toolkit.document import Document
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput

from drillfeed.clients.completion import Known
from drillfeed.clients.prompt_terminal import TableCompleter, open_session
from drillfeed.daemon.cli import main
from tests.shell.fake_desk import FakeDesk, serving

KNOWN: Known = {"drills": ("lift-the-push",), "stop-count": ("3",)}


def type_in(history: Path, *keys: str) -> list[str]:
    """Type keys at a session's terminal and return the lines it gives."""
    with create_pipe_input() as pipe, create_app_session(input=pipe, output=DummyOutput()):
        session = open_session(history, lambda: KNOWN, lambda: "IDLE for 2.0 s")
        lines = []
        for key in keys:
            pipe.send_text(key)
            lines.append(session.prompt())
        return lines


@pytest.mark.parametrize(
    ("before", "after"), [("resu", "resume"), ("load li", "load lift-the-push"), ("start ", "start 3")]
)
def test_completion_is_offered_in_place_of_the_half_word(before: str, after: str) -> None:
    """A verb, a name that the daemon told, and the stop count of now are offered, each in its place."""
    (offer,) = TableCompleter(lambda: KNOWN).get_completions(Document(before), CompleteEvent())
    assert before[: len(before) + offer.start_position] + offer.text == after


def test_earlier_lines_come_back_from_a_file_that_is_its_owners_alone_and_holds_no_secret(tmp_path: Path) -> None:
    """The up key brings back the line before, from one run to the next; a pairing code is never written down."""
    history = tmp_path / "state" / "history"
    type_in(history, "status\r", "pair 482913\r", "PAIR 482914\r")
    assert "48291" not in history.read_text("utf-8")
    assert history.stat().st_mode & 0o077 == 0
    assert type_in(history, "\x1b[A\r") == ["status"]


def test_plain_prompt_sends_each_line_and_prints_what_comes(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a terminal the lines of the input are sent in turn; refusals are told and do not end it."""
    desk = FakeDesk()
    monkeypatch.setattr("sys.stdin", io.StringIO("balls 12\n\nbogus\nstop\nquit\n"))
    with serving(desk) as address:
        assert main(["prompt", "--to", address]) == 0
    told = capsys.readouterr().out
    assert "done balls" in told and "no 12 unknown-command" in told and "done stop" in told
    assert desk.order[:1] == ["balls"] and len(desk.stops) == 1


def test_prompt_without_a_daemon_says_where_it_looked(capsys: pytest.CaptureFixture[str]) -> None:
    """No daemon: exit 3; an address that is none: exit 2."""
    assert main(["prompt", "--to", "127.0.0.1:1"]) == 3
    assert "127.0.0.1:1" in capsys.readouterr().err
    assert main(["prompt", "--to", "nowhere"]) == 2
