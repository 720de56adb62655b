"""Boards for a machine profile: what a driver declares, and a simulated thrower built from the profile.

Rule of this file: it joins daemon and drivers, as `app.py` does, and does no I/O.
"""

import numpy as np

from drillfeed.clients.drivers.board import DriverTraits, Note
from drillfeed.clients.drivers.faults import Fault
from drillfeed.clients.drivers.simulated import SimulatedThrower
from drillfeed.clients.drivers.traits import (
    FeederTraits,
    Fly,
    Landing,
    ReleaseState,
    ScatterTraits,
    ThrowerTraits,
    TimedTiltTraits,
    WheelTraits,
)
from drillfeed.daemon.aim.spread import WHEEL_SHARE
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.launch import launch_from, spin_parts
from drillfeed.daemon.physics.thrower import opening_at
from drillfeed.daemon.wheel import Wheel
from drillfeed.protocol.texts.catalogue import text

MOTOR_MARGIN = 1.25
CLOSING_MEASURED_S = 0.012
CLOSING_OPEN_LOOP_S = 0.050


def simulated_thrower(
    machine: Machine, rng: np.random.Generator, now: float, note: Note, faults: list[Fault] | None = None
) -> SimulatedThrower:
    """Return the board of a simulated thrower for a machine profile; `note` gets its log."""
    return SimulatedThrower(thrower_traits(machine), flight_of(machine), spin_parts, rng, now, note, faults or ())


def driver_traits(machine: Machine, name: str, simulated: bool) -> DriverTraits:
    """Return what the driver of a machine with this profile declares in its hello."""
    braked = machine.top.brake == "yes" and machine.bottom.brake == "yes"
    return DriverTraits(
        name=name,
        limits=machine.limits(),
        feedback="measured" if machine.sensors.speed_feedback else "none",
        stopping="brake" if braked else "coast",
        spin_down_s=machine.spin_down_s,
        top_diameter_m=machine.top.diameter_mm / 1000,
        bottom_diameter_m=machine.bottom.diameter_mm / 1000,
        exit_sensor=machine.sensors.exit_sensor,
        agitator=machine.hopper.agitator,
        simulated=simulated,
        tilt_by_time=machine.tilt.by_time,
    )


def thrower_traits(machine: Machine) -> ThrowerTraits:
    """Return the traits of a simulated thrower for a machine profile."""
    measured = machine.sensors.speed_feedback
    return ThrowerTraits(
        driver=driver_traits(machine, text("board.simulated", machine=machine.name), simulated=True),
        top=_wheel_traits(machine.top, measured),
        bottom=_wheel_traits(machine.bottom, measured),
        feeder=FeederTraits(
            kind=machine.feeder.kind,
            latency_s=machine.feeder.latency_s,
            spread_s=machine.feeder.spread_s,
            cycle_s=machine.feeder.cycle_s,
            phase_error_per_turn=machine.feeder.phase_error_per_turn,
        ),
        scatter=ScatterTraits(
            speed_share=machine.scatter.speed_share,
            spin_share=machine.scatter.spin_share,
            angle_deg=machine.scatter.angle_deg,
            wheel_share=WHEEL_SHARE,
            tilt_play_deg=machine.tilt.play_deg,
        ),
        hopper_balls=machine.hopper.balls,
        hopper_low_at=machine.hopper.low_at,
        angle_seen=measured and not machine.tilt.by_time,
        timed_tilt=TimedTiltTraits(machine.tilt.low_deg, machine.tilt.high_deg, machine.tilt.drift_deg_per_move)
        if machine.tilt.by_time
        else None,
        supply_v=None if machine.supply is None else (machine.supply.low_v + machine.supply.high_v) / 2,
    )


def _wheel_traits(wheel: Wheel, measured: bool) -> WheelTraits:
    limits = wheel.limits()
    return WheelTraits(
        diameter_m=wheel.diameter_mm / 1000,
        inertia_kgm2=wheel.inertia_kg_m2,
        high_rpm=wheel.highest_rpm,
        rise_rpm_per_s=MOTOR_MARGIN * limits.up_rpm_per_s,
        fall_rpm_per_s=MOTOR_MARGIN * limits.quick_rpm_per_s if wheel.brake == "yes" else None,
        coast_tau_s=wheel.coast_time_constant_s if wheel.brake == "none" else None,
        spin_down_s=wheel.spin_down_s,
        closing_s=CLOSING_MEASURED_S if measured else CLOSING_OPEN_LOOP_S,
    )


def flight_of(machine: Machine) -> Fly:
    """Return the function that flies a ball from the machine's position."""
    opening = machine.opening

    def follow(state: ReleaseState) -> Landing:
        height_m, back_m = opening_at(
            state.tilt_deg, opening.height_m, opening.behind_end_line_m, opening.pivot_to_opening_m
        )
        flight = fly(
            launch_from(
                state.speed_mps,
                state.spin_revps,
                state.tilt_deg,
                pan_deg=opening.yaw_deg + state.pan_deg,
                roll_deg=state.roll_deg,
                height_m=height_m,
                back_m=back_m,
                offset_m=opening.sideways_m,
            )
        )
        x_m, y_m = flight.landing_m if flight.landing_m is not None else (None, None)
        passed = flight.end_line
        return Landing(
            valid=flight.valid,
            reason=flight.reason,
            x_m=x_m,
            y_m=y_m,
            depth_m=flight.depth_m,
            after_s=flight.time_s,
            net_clearance_m=flight.net_clearance_m,
            end_line_speed_mps=None if passed is None else passed.speed_mps,
            end_line_spin_revps=None if passed is None else passed.spin_revps,
            end_line_side_revps=None if passed is None else passed.side_revps,
        )

    return follow
