"""`drillfeed record` on a stream of this computer, and what `drillfeed replay` says and refuses."""

import json
import threading
from pathlib import Path

import pytest
import zmq

from drillfeed.daemon import cli
from drillfeed.daemon.children import free_ports
from tests.support.recorded import recorded_drill


class Stream:
    """A daemon's observer stream, played over and over until it is left."""

    def __init__(self, messages: list[list[bytes]]) -> None:
        self.endpoint = f"tcp://127.0.0.1:{free_ports(1)[0]}"
        self._messages, self._over = messages, threading.Event()
        self._thread = threading.Thread(target=self._play)

    def _play(self) -> None:
        context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        socket = context.socket(zmq.PUB)
        socket.setsockopt(zmq.LINGER, 0)
        socket.bind(self.endpoint)
        n = 0
        while not self._over.wait(0.005):
            socket.send_multipart(self._messages[n % len(self._messages)])
            n += 1
        socket.close()
        context.term()

    def __enter__(self) -> "Stream":
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._over.set()
        self._thread.join(10.0)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recorded drill as a file."""
    _, lines = recorded_drill(2)
    path = tmp_path_factory.mktemp("recording") / "drill.jsonl"
    path.write_text("".join(lines))
    return path


def test_a_stream_is_recorded_and_never_over_another_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is published is in the file, counted on the screen; the same file a second time is refused."""
    hall, _ = recorded_drill(1)
    out = tmp_path / "drill.jsonl"
    with Stream([parts for _, parts in hall.stream]) as stream:
        words = ["record", "--observe", stream.endpoint, "--out", str(out), "--seconds", "1.0"]
        assert cli.main(words) == 0
        again = cli.main(words)
    rows = [json.loads(line) for line in out.read_text().splitlines()]
    shown = capsys.readouterr()
    assert rows[0]["recording"] == 1 and len(rows) > 20
    assert f"{sum(row.get('topic') == 'status' for row in rows)} statuses" in shown.out
    assert again == 2 and "never writes over another" in shown.err


def test_nothing_to_record_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody publishes there: status 1, and where to look."""
    endpoint = f"tcp://127.0.0.1:{free_ports(1)[0]}"
    assert cli.main(["record", "--observe", endpoint, "--out", str(tmp_path / "x"), "--seconds", "0.3"]) == 1
    assert "see that the daemon runs" in capsys.readouterr().err
    assert cli.main(["record", "--observe", "nowhere", "--out", str(tmp_path / "y")]) == 2
    assert "expected an endpoint" in capsys.readouterr().err


def test_a_recording_is_summed_up_and_drawn(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With nothing asked for it tells what is in it and what may follow; with --out there is a drawing."""
    assert cli.main(["replay", str(recording)]) == 0
    shown = capsys.readouterr().out
    assert "2 balls fed" in shown and "Next: --out" in shown
    out = tmp_path / "drill.svg"
    assert cli.main(["replay", str(recording), "--out", str(out)]) == 0
    assert out.read_text().startswith("<svg ") and "drill.jsonl, began 2026-03-07" in out.read_text()


def test_wheels_are_not_turned_unless_somebody_says_yes(
    recording: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Any other answer than yes, and nothing is bound, sent or turned."""
    asked: list[str] = []
    monkeypatch.setattr("builtins.input", lambda text: asked.append(text) or "y")
    assert cli.main(["replay", str(recording), "--link", "tcp://127.0.0.1:9"]) == 1
    shown = capsys.readouterr().out
    assert len(asked) == 1 and "No ball is fed" in shown and "nothing was done" in shown


def test_a_recording_beyond_the_machine_is_refused_before_anybody_is_asked(
    recording: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A drill of the fast machine on the slow one: refused with the moment and the limit, exit status 1."""
    assert cli.main(["replay", str(recording), "--link", "tcp://127.0.0.1:9", "--machine", "kit-build", "--yes"]) == 1
    assert "refused: " in capsys.readouterr().err


@pytest.mark.parametrize("text", ["", '{"recording":1}\n'], ids=["no head", "nothing in it"])
def test_what_cannot_be_replayed_is_named(text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Another file, or an empty recording: status 2 and what is wrong."""
    path = tmp_path / "odd.jsonl"
    path.write_text(text)
    assert cli.main(["replay", str(path), "--out", str(tmp_path / "odd.svg")]) == 2
    assert "odd.jsonl: no" in capsys.readouterr().err
