"""Recorded streams of input events and what must be wished for, beside each other in a file a scene.

A line is `TIME TYPE CODE VALUE` as the kernel tells it, or something that happens besides: `state` (what the daemon
shows), `silent` (no more news), `gone` and `back` (the device). `> TIME WISH` is what must come, and nothing else may.
"""

from dataclasses import dataclass, field
from pathlib import Path

import pytest

from drillfeed.clients.pedal.foot import Foot, FootAction, Meaning
from drillfeed.clients.pedal.sources import InputDevice
from drillfeed.protocol.commands import line_of
from drillfeed.protocol.status import Snapshot

STREAMS = sorted((Path(__file__).parent / "streams").glob("*.txt"))
KEY_B = 48
STEP_S = 0.005


@dataclass
class Recorded:
    """One input event."""

    at_s: float
    type: int
    code: int
    value: int

    def timestamp(self) -> float:
        return 1_700_000_000.0 + self.at_s


@dataclass
class Device:
    """A device that plays a recording. `down` is what is held when it is found."""

    fd: int = -1
    there: bool = False
    down: bool = False
    waiting: list[Recorded] = field(default_factory=list)

    def read(self) -> list[Recorded]:
        if not self.there:
            raise OSError(19, "No such device")
        if not self.waiting:
            raise BlockingIOError
        events, self.waiting = self.waiting, []
        return events

    def active_keys(self) -> list[int]:
        return [KEY_B] if self.down else []

    def close(self) -> None:
        """Nothing to give back."""

    def opened(self) -> "Device":
        if not self.there:
            raise FileNotFoundError(2, "No such file or directory")
        return self


def snapshot(words: list[str]) -> Snapshot | None:
    if words == ["none"]:
        return None
    count = int(words[words.index("count") + 1]) if "count" in words else 4
    fields = {"state": words[0], "since_s": 1.0, "stop_count": count, "feed": "closed", "machine": "club-build"}
    fields |= {"drill": "mixed-spin"} if "drill" in words else {}
    return Snapshot.model_validate({**fields, "rest_waits": "waits" in words})


def written(action: FootAction) -> str:
    if action.stop:
        return "stop"
    return line_of(action.command) if action.command is not None else f"told {action.told}"


def played(text: str) -> list[tuple[float, str]]:
    """Play one recording and return the actions with their times; what is found up when it appears is left out."""
    lines = [line.split() for line in text.splitlines() if line and line[0] not in "#>"]
    meaning = Meaning(double="easier") if "# double easier" in text else Meaning()
    device, foot = Device(), Foot(meaning)
    source = InputDevice(device.opened, KEY_B)
    shown, silent, found = snapshot(["none"]), False, []
    queue = sorted(((float(words[0]), words[1:]) for words in lines), key=lambda timed: timed[0])
    step, end_s = 0, queue[-1][0] + 3.0
    while step * STEP_S <= end_s:
        now_s = step * STEP_S
        step += 1
        while queue and queue[0][0] < now_s + STEP_S / 2:
            at_s, (what, *words) = queue.pop(0)
            if what == "state":
                shown = snapshot(words)
                foot.see(shown, now_s)
            elif what == "silent":
                silent = True
            elif what == "gone":
                device.there = False
            elif what == "back":
                device.there, device.down = True, words == ["down"]
            else:
                device.waiting.append(Recorded(at_s, int(what), int(words[0]), int(words[1])))
        if not silent and step % 10 == 0:
            foot.see(shown, now_s)
        actions = [action for edge in source.read(now_s) for action in foot.edge(edge)] + foot.tick(now_s)
        found += [(now_s, written(action)) for action in actions]
    return found


@pytest.mark.parametrize("path", STREAMS, ids=[path.stem for path in STREAMS])
def test_what_a_foot_did_is_understood(path: Path) -> None:
    """Each recording gives the actions written in it, in time, and no others."""
    text = path.read_text("utf-8")
    wanted = [(float(line.split()[1]), line.split(maxsplit=2)[2]) for line in text.splitlines() if line[0] == ">"]
    found = [did for did in played(text) if did != (0.0, "told the foot switch is there")]
    assert [action for _, action in found] == [
        next((got for _, got in found if got.startswith(action)), action) for _, action in wanted
    ]
    for (found_s, _), (wanted_s, action) in zip(found, wanted, strict=True):
        assert found_s == pytest.approx(wanted_s, abs=2.1 * STEP_S), action


def test_there_is_a_recording_for_each_way_a_pedal_goes_wrong() -> None:
    """The recordings named here exist: a lost file is not a passed test."""
    names = {path.stem for path in STREAMS}
    assert {"bounce", "double", "long", "stuck", "unplugged-while-feeding", "down-at-boot", "auto-repeat"} <= names
