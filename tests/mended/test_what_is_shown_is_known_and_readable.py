"""Status, keyboard, log and page say what is known, in words and figures a person can read, and all misfits at once."""

import io
import json
import re
from dataclasses import replace

import pytest

from drillfeed.clients.drivers.rules import limits_beyond
from drillfeed.clients.keyboard import render
from drillfeed.daemon.boards import driver_traits
from drillfeed.daemon.engine.compatibility import differences
from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.daemon.subcommands.drive import shown_to_the_driver
from drillfeed.protocol.frames import decode_from_daemon
from drillfeed.protocol.link import DaemonHello, DriverHello
from drillfeed.protocol.status import Snapshot
from drillfeed.protocol.status_text import status_lines
from tests.support.bent import StatusFields, bend
from tests.support.halls import WatchedHall, machine

LONGEST_FIGURE = 12


def now_of(hall: WatchedHall) -> Snapshot:
    return snapshot(hall.engine.parts, hall.hall.now_s)


def said(hall: WatchedHall) -> str:
    return "\n".join(status_lines(now_of(hall)))


def unfitting() -> WatchedHall:
    """Return a hall of the club build whose driver is that of a slower machine with no exit sensor."""
    hall = WatchedHall()

    def bent(told: StatusFields) -> None:
        if told["kind"] == "hello":
            told["limits"]["top"]["high_rpm"] = 3000.0
            told["limits"]["tilt"]["low_deg"] = 0.0
            told["exit_sensor"] = False

    bend(hall, bent)
    hall.hall.run_for(3.0)
    return hall


MISFITS = ("top wheel", "tilt", "exit sensor")


@pytest.mark.parametrize("on", ["kit-build", "club-build"])
def test_nothing_is_called_measured_that_no_sensor_measures(on: str) -> None:
    """The feed is open or closed as the driver reports; on a thrower without speed feedback nothing is `measured`."""
    hall = WatchedHall(machine(on)).armed()
    assert "feed         closed (reported)" in said(hall)
    assert now_of(hall).feed_known == "reported"
    assert ("measured" in said(hall)) is (on == "club-build")
    assert "(measured)" not in "\n".join(line for line in render(now_of(hall), 80) if line.startswith("feed"))
    hall.lost = True
    hall.hall.run_for(0.4)
    assert now_of(hall).feed_known == "unknown"


def test_a_driver_without_feedback_cannot_say_measured() -> None:
    """A driver of a thrower that measures nothing claims a measured rest: status says assumed."""
    hall = WatchedHall(machine("kit-build"))
    bend(hall, lambda told: told.update(rest_known="measured") if told.get("rest_known") == "assumed" else None)
    hall.ready()
    assert now_of(hall).wheels_known == "assumed"


def test_all_misfits_are_told_at_once_by_status_keyboard_and_notices() -> None:
    """A driver that does not fit in three ways: all three in status, on the screen, in notices and in arm's answer."""
    hall = unfitting()
    reply = hall.hall.say("arm")
    told = {
        "status": said(hall),
        "json": " ".join(now_of(hall).misfits),
        "keyboard": "\n".join(render(now_of(hall), 120)),
        "notices": "\n".join(hall.told("link")),
        "arm": reply.text,
    }
    for where, text in told.items():
        for misfit in MISFITS:
            assert misfit in text, (where, misfit, text)
    assert "3 ways" in now_of(hall).link
    assert not reply.ok


def test_misfits_are_in_words_a_person_reads() -> None:
    """A lowest speed is told as it is, never negated, with its unit and both figures."""
    on = machine()
    traits = driver_traits(on, "a driver", simulated=True)
    low = on.limits().top.model_copy(update={"low_rpm": -500.0})
    wanted = on.limits().model_copy(update={"top": low})
    hello = DriverHello(driver="a driver", boot="boot", now_s=0.0, limits=traits.limits, feedback="measured",
                        stopping="brake", spin_down_s=6.0, exit_sensor=True)  # fmt: skip
    (line,) = differences(hello, on, wanted)
    assert line == "top wheel, lowest speed: the driver goes down to 0 rpm, the profile needs -500 rpm"


def test_the_driver_is_told_all_misfits_in_the_greeting() -> None:
    """The daemon's hello carries every misfit, and `drillfeed drive` prints each of them once."""
    hall = WatchedHall()
    greetings: list[DaemonHello] = []

    def bent(told: StatusFields) -> None:
        if told["kind"] == "hello":
            told["exit_sensor"] = False
            told["limits"]["top"]["high_rpm"] = 3000.0

    bend(hall, bent)
    carry = hall._carry

    def watched(to: str, frame: bytes, now_s: float) -> tuple[float, ...]:
        message = decode_from_daemon(frame) if to == "driver" else None
        if isinstance(message, DaemonHello):
            greetings.append(message)
        return carry(to, frame, now_s)  # type: ignore[arg-type]

    hall.hall.carry = watched  # type: ignore[assignment]
    hall.hall.run_for(3.0)
    assert greetings and len(greetings[-1].misfits or ()) == 2
    misfit = [event for event in hall.log if event["event"] == "misfit"]
    assert [len(event["misfits"]) for event in misfit] == [2]
    printed = io.StringIO()
    note = shown_to_the_driver(lambda event, t, /, **what: None, printed)
    note("misfit", 1.0, misfits=misfit[0]["misfits"])
    note("feed", 1.0, id=3)
    assert printed.getvalue().count("\n") == 2
    assert "exit sensor" in printed.getvalue() and "top wheel" in printed.getvalue()


def test_a_driver_names_every_limit_beyond_its_own() -> None:
    """Limits that go beyond the driver's in two places: both are named, not the first alone."""
    own = machine().limits()
    slow = own.top.model_copy(update={"high_rpm": 3000.0})
    less = own.model_copy(update={"top": slow, "bottom": slow})
    reason = limits_beyond(own, less)
    assert reason is not None and "top" in reason and "bottom" in reason


def test_limits_not_taken_are_told_before_anybody_arms() -> None:
    """A driver whose statuses carry no hash of the limits: status says so, not only `arm`."""
    hall = WatchedHall()
    bend(hall, lambda told: told.pop("limits_hash", None) and None)
    hall.hall.run_for(3.0)
    assert "has not taken the machine's limits: it does not say why" in said(hall)
    assert now_of(hall).next_step == "mend the profile or the driver"
    assert hall.refused("arm") == "driver-mismatch"


@pytest.mark.parametrize("figure", [1e308, -1e308, 1e6])
def test_no_figure_is_longer_than_a_person_reads(figure: float) -> None:
    """A supply, speed, output or tilt of 1e308 is called what cannot be; no line holds a figure of 300 digits."""
    for part, key in (("supply_v", None), ("top", "measured_rpm"), ("top", "target_rpm"), ("tilt", "measured_deg")):
        hall = WatchedHall().ready()

        def bent(told: StatusFields, part: str = part, key: str | None = key) -> None:
            if told["kind"] == "status":
                if key is None:
                    told[part] = figure
                else:
                    told[part][key] = figure

        bend(hall, bent)
        hall.hall.run_for(1.0)
        reply = hall.hall.say("arm")
        assert not reply.ok
        for text in (said(hall), reply.text, "\n".join(render(now_of(hall), 120)), *hall.told("log")):
            assert not re.search(rf"[0-9,.]{{{LONGEST_FIGURE},}}", text.replace("9007199254740992", "")), (part, text)
        assert "which cannot be" in said(hall)
        json.loads(now_of(hall).model_dump_json(), parse_constant=pytest.fail)


def test_nothing_is_inf_anywhere() -> None:
    """From power-up to the first status, and with a link whose clock nobody can know, no text says inf or nan."""
    hall = WatchedHall()
    hall.lost = True
    texts = []
    for lost in (True, False, True):
        hall.lost = lost
        for _ in range(60):
            hall.hall.run_for(0.05)
            texts += [said(hall), now_of(hall).model_dump_json(), hall.hall.say("arm").text if not lost else ""]
    wild = re.compile(r"\b(inf|nan|infinity)\b", re.IGNORECASE)
    assert not [text for text in texts if wild.search(text)]
    hall = WatchedHall().ready()
    assert hall.engine.parts.link.line is not None
    hall.engine.parts.link.clock.line = replace(hall.engine.parts.link.line, error_s=float("inf"))
    assert not wild.search(said(hall)) and not wild.search(now_of(hall).model_dump_json())


def test_a_link_that_was_never_heard_of_has_no_age() -> None:
    """A driver that said hello and sends no status: the link says so, and no age is made up."""
    hall = WatchedHall()
    hall.delays = lambda to, frame: () if b'"kind": "status"' in frame or b'"kind":"status"' in frame else (0.001,)  # type: ignore[method-assign]
    hall.hall.run_for(1.0)
    now = now_of(hall)
    assert now.driver is not None and now.link == "no status yet"


def test_offline_says_why_beside_a_drivers_name() -> None:
    """OFFLINE with a driver's name shown never says that none has said hello, nor to start one."""
    hall = WatchedHall()
    seen = 0
    for _ in range(200):
        hall.hall.run_for(0.01)
        now = now_of(hall)
        if now.state == "OFFLINE" and now.driver is not None:
            seen += 1
            assert now.driver in (now.reason or ""), now.reason
            assert "no motor driver" not in (now.reason or "")
            assert now.next_step != "start a motor driver"
        elif now.state == "OFFLINE":
            assert now.reason == "no motor driver has said hello"
    assert seen
    hall.hall.until_state("IDLE")
    hall.lost = True
    hall.hall.run_for(2.0)
    assert "fell silent" in (now_of(hall).reason or "")


def test_ages_are_in_units_a_person_reads() -> None:
    """A status that is a minute old is so in seconds, not in 60,000 ms."""
    hall = WatchedHall().ready()
    hall.lost = True
    hall.hall.run_for(3.5)
    assert re.search(r"link +status 3\.[0-9] s old", said(hall)), said(hall)
