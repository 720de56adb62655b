"""LINK.md says what the code says: its examples are frames, its numbers are the constants, its clauses have tests."""

import json
import re
from pathlib import Path
from typing import Any

import pytest

from drillfeed.clients.drivers import report, rules
from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.protocol import frames, link, sleep

TEXT = (Path(link.__file__).parent / "LINK.md").read_text(encoding="utf-8")
FOLDER = Path(link.__file__).parent / "vectors" / "link"
FRAMES = {json.loads(path.read_text(encoding="utf-8"))["frame"] for path in FOLDER.glob("*.json")}
EXAMPLES = re.findall(r"```json\n(.*?)\n```", TEXT)
NUMBERS = re.findall(r"^\| `([A-Z_]+)` \| ([0-9.]+)", TEXT, re.MULTILINE)
TESTS = Path(__file__).parent.parent / "clients" / "drivers"


@pytest.mark.parametrize("example", EXAMPLES, ids=[json.loads(example)["kind"] for example in EXAMPLES])
def test_every_example_is_one_of_the_files(example: str) -> None:
    """Each frame printed in LINK.md lies among the example files, byte for byte."""
    assert example in FRAMES


def test_every_kind_is_printed() -> None:
    """LINK.md prints an example of each message, both hellos and two orders among them."""
    assert sorted(json.loads(example)["kind"] for example in EXAMPLES) == [
        "arm", "hello", "hello", "ping", "pong", "setpoint", "status", "stop",
    ]  # fmt: skip


@pytest.mark.parametrize(("name", "value"), NUMBERS)
def test_numbers_are_the_constants(name: str, value: str) -> None:
    """Each figure of the table is the constant of that name."""
    where = [module for module in (link, rules, report, sleep) if hasattr(module, name)]
    assert where and getattr(where[0], name) == float(value)


def test_clauses_are_numbered_without_a_gap_and_each_has_a_test() -> None:
    """L1 to L31 stand once each, and every one of them is named by a test of the driver."""
    clauses = [int(number) for number in re.findall(r"^- \*\*L(\d+)\*\*", TEXT, re.MULTILINE)]
    assert sorted(clauses) == list(range(1, 32))
    tests = "".join(path.read_text(encoding="utf-8") for path in TESTS.glob("test_link_*.py"))
    named = {int(number) for number in re.findall(r'"""[^"]*?\bL(\d+)', tests)}
    named |= {int(number) for number in re.findall(r"\bL(\d+)[,: ]", tests)}
    assert set(clauses) <= named


def test_the_driver_in_ten_minutes_drives() -> None:
    """The printed board, given to the adapter, greets, arms after its spin-down time, and pushes a ball on time."""
    (program,) = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)
    names: dict[str, Any] = {"__name__": "printed"}
    exec(compile(program, "LINK.md", "exec"), names)
    board, limits = names["MyBoard"](), names["TRAITS"].limits
    fed: list[int] = []
    board.feed_one = fed.append
    core = DriverCore(names["TRAITS"], board, "boot-1", 10.0)
    core.tick(10.0)
    hello = link.DaemonHello(session="abcd", daemon="test", limits=limits, limits_hash=limits.digest())
    core.receive(frames.encode(hello), 10.0)
    still = link.WheelTarget(rpm=0, ramp_rpm_per_s=100)
    for step in range(1, 2000):
        now, armed = 10.0 + step * 0.005, step >= 1700
        if step == 1700:
            core.receive(frames.encode(link.Order(kind="arm", session="abcd", epoch=1)), now)
            assert core.mode == "armed"
        if step % 4 == 0:
            setpoint = link.Setpoint(
                session="abcd",
                epoch=int(armed),
                seq=step,
                at_s=now,
                until_s=now + 0.3,
                top=still,
                bottom=still,
                feeding=armed,
                feeds=(link.Feed(id=1, at_s=19.5),) if armed else (),
            )
            core.receive(frames.encode(setpoint), now)
        core.tick(now)
    assert fed == [1]
