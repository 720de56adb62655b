"""A wheel that turns though nothing is asked of it: a fault while armed, told while idle, and nothing starts."""

import pytest

from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.protocol.status_text import status_lines
from tests.support.bent import StatusFields, bend, turning
from tests.support.halls import WatchedHall, drill_plan, machine

JUST_OVER_MPS, JUST_UNDER_MPS = 0.31, 0.29


def rpm_of(rim_mps: float, wheel: str = "top") -> float:
    on = machine()
    return (on.top if wheel == "top" else on.bottom).rpm(rim_mps)


def said(hall: WatchedHall) -> str:
    return "\n".join(status_lines(snapshot(hall.engine.parts, hall.hall.now_s)))


@pytest.mark.parametrize("wheel", ["top", "bottom"])
@pytest.mark.parametrize("rim_mps", [JUST_OVER_MPS, -JUST_OVER_MPS, 9.4])
@pytest.mark.parametrize("honest", [True, False])
def test_over_a_third_of_a_metre_a_second_while_armed_is_a_fault(wheel: str, rim_mps: float, honest: bool) -> None:
    """Over 0.3 m/s at a rim, either way round, while ARMED: a fault that names the wheel, within 0.3 s."""
    hall = WatchedHall().armed()
    hall.hall.run_for(1.0)
    bend(hall, turning(wheel, rpm_of(rim_mps, wheel), honest))
    began_s = hall.hall.now_s
    assert hall.hall.until_state("QUICKSTOP", max_s=1.0), said(hall)
    assert hall.hall.now_s - began_s <= 0.3
    assert hall.engine.parts.mode.fault is not None and hall.engine.parts.mode.fault.cause == "wheel-uncommanded"
    assert (
        f"{wheel} wheel" in hall.engine.parts.mode.fault.text and "m/s at the rim" in hall.engine.parts.mode.fault.text
    )


def test_below_that_an_armed_thrower_stays_armed() -> None:
    """0.29 m/s at the rim, as a draught or a vibrating sensor shows it, is no fault."""
    hall = WatchedHall().armed()
    bend(hall, turning("top", rpm_of(JUST_UNDER_MPS)))
    hall.hall.run_for(3.0)
    assert hall.state == "ARMED"


def test_one_wild_reading_is_no_fault() -> None:
    """A single reading of 3,000 rpm between good ones faults nothing; every second one does."""
    for every, state in ((10, "ARMED"), (2, "QUICKSTOP")):
        hall = WatchedHall().armed()
        heard: list[int] = []

        def bent(told: StatusFields, every: int = every, heard: list[int] = heard) -> None:
            if told["kind"] == "status":
                heard.append(1)
                if len(heard) % every == 0:
                    told["top"]["measured_rpm"] = 3000.0

        bend(hall, bent)
        hall.hall.run_until(lambda hall=hall: hall.state == "QUICKSTOP", 1.0)  # type: ignore[misc]
        assert hall.state == state, every


def test_an_output_that_nobody_asked_for_counts_where_nothing_is_measured() -> None:
    """A thrower without speed feedback whose driver gives a wheel an output while ARMED: the same fault."""
    hall = WatchedHall(machine("kit-build")).armed()
    hall.hall.run_for(1.0)

    def bent(told: StatusFields) -> None:
        if told["kind"] == "status":
            told["top"]["target_rpm"] = 1500.0

    bend(hall, bent)
    began_s = hall.hall.now_s
    assert hall.hall.until_state("QUICKSTOP", max_s=1.0), said(hall)
    assert hall.hall.now_s - began_s <= 0.3
    assert hall.engine.parts.mode.fault is not None and "output" in hall.engine.parts.mode.fault.text


def test_a_drill_that_ends_in_armed_is_no_fault() -> None:
    """Wheels that run down at the end of a drill, and those of a second drill, turn by nobody's fault."""
    for name in ("club-build", "kit-build"):
        hall = WatchedHall(machine(name)).feeding(drill_plan(machine(name), sets=(2,)))
        assert hall.hall.until_state("ARMED", "QUICKSTOP", max_s=60.0)
        hall.hall.run_for(3.0)
        assert hall.state == "ARMED", hall.told("fault")
        hall.ok("crank-at-mark")
        hall.ok(f"start {hall.engine.parts.mode.stop_count}")
        assert hall.hall.until_state("ARMED", "QUICKSTOP", max_s=60.0)
        assert hall.state == "ARMED", hall.told("fault")


@pytest.mark.parametrize("honest", [True, False])
def test_idle_tells_it_and_arm_is_refused(honest: bool) -> None:
    """While IDLE: no fault, but status names wheel and speed, watchers are told once, and arm says why not."""
    hall = WatchedHall().ready()
    bend(hall, turning("bottom", 3000.0, honest))
    hall.hall.run_for(2.0)
    assert hall.state == "IDLE"
    assert "bottom wheel turns at 3,000 rpm" in said(hall)
    assert "next         cut the motor power" in said(hall)
    assert len([text for text in hall.told("log") if text.startswith("the bottom wheel turns at 3,000 rpm")]) == 1
    reply = hall.hall.say("arm")
    assert reply.code is not None and reply.code.name == ("moving" if honest else "driver-contradicts")
    assert "bottom wheel turns at 3,000 rpm" in reply.text
    assert hall.hall.core.mode != "armed"


@pytest.mark.parametrize("honest", [True, False])
def test_start_is_refused_before_the_fault_comes(honest: bool) -> None:
    """A start given between the first such status and the fault is refused, and so are a single ball and set-up."""
    for line in ("start 0", "throw light-topspin 0", "setup on"):
        hall = WatchedHall().armed()
        bend(hall, turning("top", 3000.0, honest))
        assert hall.hall.run_until(lambda hall=hall: hall.engine.parts.link.status.top.measured_rpm == 3000.0)  # type: ignore[misc, union-attr]
        assert hall.state == "ARMED"
        reply = hall.hall.say(line, plan=drill_plan() if line.startswith("throw") else None)
        assert reply.code is not None and reply.code.name == "moving", (line, reply.text)
        assert not any(setpoint.top.rpm for _, setpoint in hall.setpoints)


def test_a_wheel_that_turns_in_a_rest_is_a_fault() -> None:
    """Between two sets, with the wheels run down for good, 0.5 m/s at a rim is a fault as well."""
    hall = WatchedHall().feeding(drill_plan(sets=(1, 1)))
    assert hall.hall.until_state("RESTING")
    hall.hall.run_for(2 * machine().spin_down_s)
    assert hall.state == "RESTING"
    bend(hall, turning("top", rpm_of(0.5)))
    assert hall.hall.until_state("QUICKSTOP", max_s=0.3), said(hall)
    assert hall.engine.parts.mode.fault is not None and hall.engine.parts.mode.fault.cause == "wheel-uncommanded"


def test_a_wheel_that_really_turns_is_found_too() -> None:
    """The same with a motor that runs by itself, and the shipped driver telling what it sees."""
    hall = WatchedHall(faults=("top-drive=fixed:3000@25",)).ready()
    hall.ok("load a-drill", drill_plan())
    hall.ok("arm")
    assert hall.hall.until_state("QUICKSTOP", max_s=40.0)
    assert hall.engine.parts.mode.fault is not None and hall.engine.parts.mode.fault.cause == "wheel-uncommanded"
    assert hall.hall.until_state("FAULT", max_s=60.0)
    assert "top wheel turns at" in said(hall)
