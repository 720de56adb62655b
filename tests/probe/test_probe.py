"""The probe finds what is wrong with a driver, names its clause, and passes a driver that keeps the rules."""

import json
import re
from pathlib import Path

import pytest

from drillfeed.clients.drivers.board import DriverTraits
from drillfeed.clients.probe import verdict
from drillfeed.clients.probe.probe import TABLE, Probe
from drillfeed.protocol import link
from tests.probe.broken import BROKEN, Broken
from tests.probe.virtual_bench import BLIND, TRAITS, run_probe, sound_driver

LINK_TEXT = (Path(link.__file__).parent / "LINK.md").read_text(encoding="utf-8")
NOT_FROM_HERE = {"takes-over", "ends", "sleeps", "exit-sensor"}


def result_of(probe: Probe, name: str) -> str:
    """Return the result of a check."""
    return next(row.result for row in probe.rows if row.check.name == name)


@pytest.mark.parametrize("broken", BROKEN, ids=[broken.what for broken in BROKEN])
def test_each_broken_rule_is_the_first_to_be_named(broken: Broken) -> None:
    """A driver that breaks one rule fails first at the check of that rule, which names its clause and what was seen."""
    probe = run_probe(broken.make, to_the_end=False)
    bad = verdict.first_bad(probe.rows)
    assert bad is not None
    assert (bad.check.name, bad.check.clause, bad.result) == (broken.first, broken.clause, "fails")
    assert bad.saw and verdict.exit_status(probe.rows) == verdict.FAILS


@pytest.mark.parametrize(
    ("traits", "unknown"),
    [(TRAITS, {"rest-by-time"} | NOT_FROM_HERE), (BLIND, {"reaches", "out-of-band"} | NOT_FROM_HERE)],
    ids=["measured", "no feedback"],
)
def test_a_sound_driver_holds_throughout(traits: DriverTraits, unknown: set[str]) -> None:
    """All checks hold on a driver that keeps the rules; what cannot be known from the link is said, never passed."""
    probe = run_probe(lambda now: sound_driver(now, traits))
    assert [row.check for row in probe.rows] == list(TABLE)
    assert {row.check.name for row in probe.rows if row.result == "not known"} == unknown
    assert {row.result for row in probe.rows} == {"holds", "not known"}
    assert verdict.exit_status(probe.rows) == verdict.HOLDS
    text = verdict.verdict_text(probe.rows, probe.bench.hello)
    assert f"{len(unknown)} not known" in text and "not passed" in text


def test_what_follows_is_listed_as_consequence() -> None:
    """After the first failure the run goes on, and later failures are listed behind it in text and JSON."""
    dead = next(broken for broken in BROKEN if broken.what == "dies of garbage")
    probe = run_probe(dead.make)
    assert len(probe.rows) == len(TABLE)
    told = json.loads(verdict.verdict_json(probe.rows, probe.bench.hello))
    assert told["first"] == "garbage" and not told["holds"]
    assert "watchdog" in told["consequences"] and result_of(probe, "watchdog") == "not reached"
    text = verdict.verdict_text(probe.rows, probe.bench.hello)
    assert "first: garbage, L2 of LINK.md" in text
    assert text.index("first: garbage") < text.index("perhaps only consequences") < text.index("watchdog (L16)")


def test_nothing_turns_and_no_ball_is_asked_for_unless_allowed() -> None:
    """Without leave to turn, no order to arm and no setpoint above 0 is sent; without leave to feed, no feed is."""
    sent: list[dict[str, object]] = []

    class Listening:
        def __init__(self, now: float) -> None:
            self._core = sound_driver(now)
            self.tick = self._core.tick

        def receive(self, frame: bytes, now: float) -> list[bytes]:
            if frame.startswith(b"{") and frame.endswith(b"}"):
                sent.append(json.loads(frame))
            return self._core.receive(frame, now)

    probe = run_probe(Listening, feed=False)
    assert any(message.get("kind") == "arm" for message in sent) and not any(message.get("feeds") for message in sent)
    assert {row.result for row in probe.rows if row.check.phase == "feeding"} == {"not run"}
    assert "not run" in verdict.verdict_text(probe.rows, probe.bench.hello)

    sent.clear()
    still = [check.name for check in TABLE if check.phase == "disarmed"]
    run_probe(Listening, feed=False, only=tuple(still))
    assert sent and not any(_turns(message) for message in sent)


def _turns(message: dict[str, object]) -> bool:
    """Tell whether a message that the driver may accept asks for a wheel speed within its limits."""
    top = message.get("top")
    rpm = top.get("rpm") if isinstance(top, dict) else 0
    return isinstance(rpm, float) and 0 < rpm <= TRAITS.limits.top.high_rpm


def test_an_arm_in_the_first_phase_is_one_that_must_be_refused() -> None:
    """Before leave to turn, the only arm that is sent is in a session whose limits were not agreed."""
    probe = run_probe(sound_driver, feed=False, only=("limits-beyond", "adopts"))
    assert [row.result for row in probe.rows] == ["holds", "holds"]
    assert all(seen.status.mode != "armed" for seen in probe.bench.seen)


def test_a_stall_of_this_machine_is_not_the_drivers_failure() -> None:
    """A check that fails while the probe itself was not run in time is tried again, then told as inconclusive."""
    broken = next(broken for broken in BROKEN if broken.what == "numbers its pongs itself")
    probe = run_probe(broken.make, only=("pong",), stall_s=0.004)
    (row,) = probe.rows
    assert row.result == "inconclusive" and "this machine stalled for 5 ms" in row.saw
    assert verdict.exit_status(probe.rows) == verdict.FAILS


def test_a_driver_that_is_not_to_be_frozen_is_told_so() -> None:
    """Without the driver's process the check of waking up says that it is not known, and how to find out."""
    probe = run_probe(sound_driver, freeze=False, only=("frozen",))
    assert [row.result for row in probe.rows] == ["not known"] and "--pid" in probe.rows[0].saw


def test_every_clause_of_the_link_has_a_check() -> None:
    """L1 to L31 are each named by a row of the table; other rows name a chapter of LINK.md by its first word."""
    clauses = set(re.findall(r"^- \*\*(L\d+)\*\*", LINK_TEXT, re.MULTILINE))
    named = {check.clause for check in TABLE}
    assert clauses <= named
    chapters = set(re.findall(r"^## (\w+)", LINK_TEXT, re.MULTILINE))
    assert named - clauses <= chapters


def test_names_are_given_once() -> None:
    """Each check has a name of its own, and every broken driver names one of them with its clause."""
    names = [check.name for check in TABLE]
    assert len(names) == len(set(names))
    clauses = {check.name: check.clause for check in TABLE}
    assert all(clauses[broken.first] == broken.clause for broken in BROKEN) and len(BROKEN) >= 15


def test_the_table_is_printed_whole() -> None:
    """The printed table has a line for each check, with what is done and what is expected."""
    lines = verdict.table_text().splitlines()
    assert len(lines) == len(TABLE)
    assert all(check.does in line and check.expects in line for check, line in zip(TABLE, lines, strict=True))
