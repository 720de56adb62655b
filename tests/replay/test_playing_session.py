"""The nc session printed for players, typed again on a real socket against real processes."""

import re
import socket
from pathlib import Path

from drillfeed.daemon.demo.processes import running_pair
from drillfeed.daemon.demo.real import until_ready

PAGE = Path(__file__).parents[2] / "clients" / "PLAYING.md"
ANSWERS = ("| ", "|", "done ", "no ", "! ")


def session() -> list[tuple[str, list[str]]]:
    """Return the nc session of the page as (typed line, answered lines)."""
    block = re.search(r"```console\n\$ nc [^\n]*\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert block is not None, "the page has no ```console block that begins with $ nc"
    turns: list[tuple[str, list[str]]] = []
    for line in block.group(1).splitlines():
        if line.startswith(ANSWERS):
            turns[-1][1].append(line)
        else:
            turns.append((line, []))
    return turns


def test_the_session_of_the_page_is_what_the_daemon_answers(tmp_path: Path) -> None:
    """Each line of the session gets the answer that the page prints."""
    turns = session()
    assert len(turns) >= 6
    with running_pair("club-build", seed=1, folder=tmp_path) as pair:
        with pair.client() as client:
            until_ready(client)
        host, _, port = pair.tcp.rpartition(":")
        with socket.create_connection((host, int(port)), 10.0) as sock, sock.makefile("rw", newline="\n") as wire:
            for typed, expected in turns:
                wire.write(typed + "\n")
                wire.flush()
                answered = []
                while not answered or not answered[-1].startswith(("done ", "no ")):
                    line = wire.readline()
                    assert line, f"the daemon closed the connection after {typed!r}"
                    answered.append(line.rstrip("\n"))
                assert answered == expected, typed
