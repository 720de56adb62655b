"""A simulated thrower built to each shipped machine profile, and what `drillfeed drive` refuses."""

import argparse
import json
from pathlib import Path

import numpy as np
import pytest

from drillfeed.clients.drivers.traits import ReleaseState
from drillfeed.daemon import boards
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.launch import launch_from
from drillfeed.daemon.subcommands import drive

MACHINES = ("club-build", "kit-build")


def arguments(*words: str) -> argparse.Namespace:
    """Read the arguments as the command does."""
    parser = argparse.ArgumentParser()
    drive.add_arguments(parser)
    return parser.parse_args(["simulated", "--link", "tcp://127.0.0.1:9", *words])


@pytest.mark.parametrize("name", MACHINES)
def test_a_thrower_is_built_to_its_profile(name: str) -> None:
    """Limits, sensors, way of stopping, feeder and hopper are those of the profile."""
    machine = load_machine(name)
    traits = boards.thrower_traits(machine)
    assert traits.driver.limits == machine.limits() and traits.driver.simulated
    assert (traits.driver.feedback == "measured") is machine.sensors.speed_feedback
    assert traits.driver.exit_sensor is machine.sensors.exit_sensor
    assert (traits.driver.stopping == "coast") is (machine.top.brake == "none")
    assert (traits.top.coast_tau_s is None) is (machine.top.brake == "yes")
    assert traits.feeder.kind == machine.feeder.kind and traits.hopper_balls == machine.hopper.balls
    assert traits.top.rise_rpm_per_s > machine.limits().top.up_rpm_per_s


@pytest.mark.parametrize("name", MACHINES)
def test_a_ball_flies_from_where_the_machine_stands(name: str) -> None:
    """The flight told is that of the physics for the machine's opening, and after_s is when the ball lands."""
    machine = load_machine(name)
    told = boards.flight_of(machine)(ReleaseState(at_s=3.0, speed_mps=6.5, spin_revps=0.0, tilt_deg=18.9))
    opening = machine.opening
    flight = fly(
        launch_from(
            6.5, 0.0, 18.9, height_m=opening.height_m, back_m=opening.behind_end_line_m, pan_deg=opening.yaw_deg
        )
    )
    assert flight.landing is not None and told.valid
    assert told.depth_m == flight.depth_m and told.after_s == flight.landing.t_s


@pytest.mark.parametrize("name", MACHINES)
def test_a_thrower_runs_on_a_virtual_clock(name: str) -> None:
    """Wheels go where they are told and a pushed ball leaves after the profile's latency, within its spread."""
    machine = load_machine(name)
    left: list[float] = []

    def note(event: str, t: float, /, **what: object) -> None:
        if event == "leaves":
            left.append(t)

    board = boards.simulated_thrower(machine, np.random.default_rng(1), 10.0, note)
    board.set_wheel("top", 2000.0)
    board.set_wheel("bottom", 1500.0)
    board.read(15.0)
    assert (board.top_rpm, board.bottom_rpm) == (2000.0, 1500.0)
    board.feed_one(1)
    board.read(17.0)
    assert abs(left[0] - 15.0 - machine.feeder.latency_s) <= machine.feeder.spread_after_s(1) + 0.001


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--machine", "no-such"), "no-such"),
        (("--fault", "top=odd"), "kinds are"),
        (("--machine", "/no/such.toml"), "such.toml"),
    ],
    ids=["machine", "fault", "file"],
)
def test_mistakes_are_named_and_exit_with_2(
    words: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A profile or fault that is none ends with status 2 and its reason, before anything is connected."""
    assert drive.run(arguments(*words)) == 2
    assert told in capsys.readouterr().err


def test_a_driver_runs_until_it_is_asked_to_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command joins board, adapter, log and loop, and leaves a log from boot to end."""
    from drillfeed.clients.drivers import link_loop

    def few_turns(core: object, endpoint: str, ending: object, **rest: object) -> None:
        from drillfeed.clients.drivers.adapter import DriverCore

        assert isinstance(core, DriverCore) and endpoint == "tcp://127.0.0.1:9"
        now = 1e6
        for step in range(10):
            core.tick(now + 0.005 * step)
        core.close(now + 1.0)

    monkeypatch.setattr(link_loop, "run_link", few_turns)
    monkeypatch.setattr(link_loop.Ending, "catch", lambda self: None)
    monkeypatch.setattr("time.monotonic", lambda: 1e6 - 1)
    log = tmp_path / "driver.jsonl"
    assert drive.run(arguments("--log", str(log))) == 0
    events = [json.loads(line)["event"] for line in log.read_text().splitlines()]
    assert (events[0], events[-1]) == ("boot", "end")


SERIAL = {
    "no port": ((), "--port is missing"),
    "table not wanted": (("--port", "/dev/none", "--duty", "x.toml"), "leave --duty out"),
    "table wanted": (("--port", "/dev/none", "--machine", "kit-build"), "--duty FILE must tell"),
    "no table": (("--port", "/dev/none", "--machine", "kit-build", "--duty", "/no/duty.toml"), "/no/duty.toml"),
}


@pytest.mark.parametrize(("words", "told"), SERIAL.values(), ids=list(SERIAL))
def test_a_serial_board_needs_what_its_profile_says(
    words: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A port always, a duty table exactly where no speed is measured; else status 2, before anything is opened."""
    parser = argparse.ArgumentParser()
    drive.add_arguments(parser)
    assert drive.run(parser.parse_args(["serial", "--link", "tcp://127.0.0.1:9", *words])) == 2
    assert told in capsys.readouterr().err
