"""Example frames as files, and the schemas of all messages: both for whoever writes a driver in another language."""

import json
from pathlib import Path

import pytest

from drillfeed.protocol import frames, link, write_schema
from drillfeed.protocol.generated import stale

FOLDER = Path(link.__file__).parent / "vectors" / "link"
CASES = {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in sorted(FOLDER.glob("*.json"))}
VALID = [name for name, case in CASES.items() if case["valid"]]
REFUSED = [name for name, case in CASES.items() if not case["valid"]]
NOT_AS_WRITTEN = ("setpoint-unknown-field", "setpoint-integers")


def decode(case: dict[str, str]) -> link.Message:
    """Decode a frame as the side that gets it does."""
    frame = case["frame"].encode()
    return frames.decode_from_daemon(frame) if case["from"] == "daemon" else frames.decode_from_driver(frame)


def test_every_kind_of_message_has_an_example() -> None:
    """Each message class appears in at least one valid file, and there are refused ones of both directions."""
    kinds = {type(decode(CASES[name])) for name in VALID}
    assert kinds == set(write_schema.MESSAGES.values())
    assert {CASES[name]["from"] for name in REFUSED} == {"daemon", "driver"}


@pytest.mark.parametrize("name", VALID)
def test_valid_frames_are_taken(name: str) -> None:
    """A valid frame decodes, and written again it is the same bytes."""
    message = decode(CASES[name])
    if name not in NOT_AS_WRITTEN:
        assert frames.encode(message).decode() == CASES[name]["frame"]


@pytest.mark.parametrize("name", REFUSED)
def test_refused_frames_are_refused_where_they_are_wrong(name: str) -> None:
    """A refused frame raises with a reason of one line that names the place."""
    with pytest.raises(frames.BadFrame) as caught:
        decode(CASES[name])
    reason = str(caught.value)
    assert CASES[name]["at"].split(".")[-1] in reason and "\n" not in reason and len(reason) <= 200


def test_a_frame_goes_one_way_only() -> None:
    """What a driver sends is refused from a daemon, and the reverse, but for the hello that both have."""
    for name in VALID:
        case = CASES[name]
        other = {**case, "from": "driver" if case["from"] == "daemon" else "daemon"}
        with pytest.raises(frames.BadFrame):
            decode(other)


def test_schemas_are_current() -> None:
    """The schema files are those that the models give; none is missing and none is left over."""
    assert stale(write_schema.wanted(), tuple(write_schema.FOLDER.glob("*.json"))) == []
    assert write_schema.main(["--check"]) == 0


def test_a_stale_schema_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """--check names each file that is missing, changed or nobody's, and writing mends it."""
    monkeypatch.setattr(write_schema, "FOLDER", tmp_path)
    assert write_schema.main([]) == 0 and write_schema.main(["--check"]) == 0
    (tmp_path / "ping.json").write_text("{}")
    (tmp_path / "pong.json").unlink()
    (tmp_path / "other.json").write_text("{}")
    assert write_schema.main(["--check"]) == 1
    told = capsys.readouterr().err
    assert all(name in told for name in ("ping.json", "pong.json", "other.json")) and "status.json" not in told


def test_limits_digest_is_the_same_for_the_same_limits() -> None:
    """The hash of limits does not change by a trip over the wire, and changes with any figure in them."""
    hello = decode(CASES["daemon-hello"])
    assert isinstance(hello, link.DaemonHello)
    assert hello.limits.digest() == hello.limits_hash
    other = hello.limits.model_copy(update={"tilt": None})
    assert other.digest() != hello.limits_hash
