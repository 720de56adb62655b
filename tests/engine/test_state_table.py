"""What the state table allows, read off the table itself."""

from collections import deque
from typing import get_args

import pytest

from drillfeed.daemon.engine.states import (
    ENDS_ARMED,
    MACHINE_EVENTS,
    MOVING,
    PERSON_EVENTS,
    RUNNING,
    TABLE,
    UNDER_WAY,
    Event,
    after,
)
from drillfeed.protocol.status import State

STATES: tuple[State, ...] = get_args(State)
STANDSTILL = ("OFFLINE", "IDLE", "ARMED", "FAULT")
LED_BY_HAND = ("OFFLINE", "IDLE", "ARMED", "PAUSED", "STOPPING", "QUICKSTOP", "FAULT", "SETUP")
DRIVEN = ("SPINUP", "FEEDING")


def reached(start: State, events: tuple[Event, ...]) -> set[State]:
    """Return every state that these events can lead to from `start`, itself left out unless they lead back.

    The one guard that is part of the table is kept: `at_rest_armed` follows only on the end of a drill.
    """
    found: set[tuple[State, bool]] = set()
    edge: deque[tuple[State, bool]] = deque([(start, False)])
    while edge:
        here, ends_armed = edge.popleft()
        for event in events:
            there = after(here, event)
            if there is None or (event == "at_rest_armed" and not ends_armed):
                continue
            then = (there, there == "STOPPING" and event == ENDS_ARMED)
            if then not in found:
                found.add(then)
                edge.append(then)
    return {state for state, _ in found}


@pytest.mark.parametrize("state", STATES)
def test_every_state_takes_a_stop_and_a_fault(state: State) -> None:
    """A stop and a fault have an effect in every state there is."""
    assert after(state, "stop") is not None
    assert after(state, "fault") is not None


@pytest.mark.parametrize("state", STATES)
def test_a_stop_ends_at_rest(state: State) -> None:
    """After a stop the machine's own events lead to states at rest, and to none that drives a wheel up or feeds."""
    then = after(state, "stop")
    assert then in ("OFFLINE", "STOPPING", "QUICKSTOP", "FAULT")
    assert not reached(then, MACHINE_EVENTS) & {*DRIVEN, "RESTING", "PAUSED"}
    assert reached(then, MACHINE_EVENTS) | {then} & {"OFFLINE", "IDLE", "FAULT"}


@pytest.mark.parametrize("state", LED_BY_HAND)
def test_nothing_automatic_leads_into_motion(state: State) -> None:
    """From standstill, pause, stop or fault no event of the machine's own leads to spin-up or to feeding."""
    assert not reached(state, MACHINE_EVENTS) & {*DRIVEN, "RESTING"}


def test_only_a_timed_rest_goes_on_by_itself() -> None:
    """Of the machine's own events only the end of a timed rest and `at_speed` lead to a driven state."""
    ways = {(state, event) for (state, event), then in TABLE.items() if then in DRIVEN and event in MACHINE_EVENTS}
    assert ways == {("RESTING", "rest_timed_out"), ("SPINUP", "at_speed")}


def test_feeding_is_entered_at_speed_only() -> None:
    """FEEDING has one way in: SPINUP, at speed."""
    assert [pair for pair, then in TABLE.items() if then == "FEEDING"] == [("SPINUP", "at_speed")]


def test_spin_up_is_begun_by_a_person_or_a_timed_rest() -> None:
    """SPINUP is entered by start, resume or ready, or by the end of a timed rest."""
    ways = {pair for pair, then in TABLE.items() if then == "SPINUP"}
    assert ways == {
        ("ARMED", "start"),
        ("PAUSED", "resume"),
        ("RESTING", "ready"),
        ("RESTING", "rest_timed_out"),
    }


def test_clear_never_moves() -> None:
    """`clear` has an effect in FAULT alone, and leads to IDLE."""
    assert {pair: then for pair, then in TABLE.items() if pair[1] == "clear"} == {("FAULT", "clear"): "IDLE"}


def test_out_of_fault_takes_clear_arm_and_start() -> None:
    """Without any one of clear, armed or start no way leads from FAULT to a driven state."""
    every: tuple[Event, ...] = (*PERSON_EVENTS, *MACHINE_EVENTS)
    assert "FEEDING" in reached("FAULT", every)
    for missing in ("clear", "armed", "start"):
        left = tuple(event for event in every if event != missing)
        assert not reached("FAULT", left) & {*DRIVEN, "RESTING", "PAUSED"}


def test_a_fault_is_left_by_a_person_only() -> None:
    """The machine's own events lead from FAULT and QUICKSTOP to FAULT and QUICKSTOP only."""
    assert reached("FAULT", MACHINE_EVENTS) | reached("QUICKSTOP", MACHINE_EVENTS) <= {"FAULT", "QUICKSTOP"}


@pytest.mark.parametrize("state", STATES)
def test_a_fault_never_ends_in_a_ready_state(state: State) -> None:
    """A fault leads to QUICKSTOP where something may move, else to FAULT."""
    assert after(state, "fault") == ("FAULT" if state in ("OFFLINE", "FAULT") else "QUICKSTOP")


def test_a_pause_is_possible_while_anything_runs() -> None:
    """Pause leads to PAUSED from each running state, and from no other."""
    assert {state for state, event in TABLE if event == "pause"} == RUNNING - {"PAUSED"}
    assert {then for (_, event), then in TABLE.items() if event == "pause"} == {"PAUSED"}


def test_a_pause_is_left_by_a_person_or_downwards() -> None:
    """From PAUSED the machine's own events lead to the end of the drill or to a fault only."""
    ways = {event: then for (state, event), then in TABLE.items() if state == "PAUSED" and event in MACHINE_EVENTS}
    assert ways == {"drill_over": "STOPPING", "fault": "QUICKSTOP"}


def test_an_armed_driver_is_armed_by_hand() -> None:
    """ARMED is entered when the driver has armed on a person's word, or after a drill that was started from there."""
    ways = {pair for pair, then in TABLE.items() if then == "ARMED"}
    assert ways == {("IDLE", "armed"), ("STOPPING", "at_rest_armed")}


ONE_WAY: dict[Event, State] = {
    "start": "SPINUP",
    "resume": "SPINUP",
    "ready": "SPINUP",
    "pause": "PAUSED",
    "skip": "RESTING",
    "disarm": "STOPPING",
    "clear": "IDLE",
    "setup": "SETUP",
    "link_up": "IDLE",
    "link_lost": "OFFLINE",
    "armed": "ARMED",
    "at_speed": "FEEDING",
    "set_over": "RESTING",
    "rest_timed_out": "SPINUP",
    "drill_over": "STOPPING",
    "at_rest_armed": "ARMED",
    "rest_unseen": "FAULT",
}
# Where a driver is armed; outside these no command but clear has an effect, and stop.
HELD_ARMED = ("ARMED", "SPINUP", "FEEDING", "RESTING", "PAUSED", "SETUP")


@pytest.mark.parametrize("event", ONE_WAY)
def test_an_event_leads_one_way(event: Event) -> None:
    """Whatever the state it has an effect in, an event leads to the one state that its name says."""
    assert {then for (_, on), then in TABLE.items() if on == event} == {ONE_WAY[event]}


def test_a_command_has_an_effect_only_where_a_driver_is_armed() -> None:
    """But for stop, and for clear in FAULT, no command changes the state unless a person has armed before."""
    found = {state for state, event in TABLE if event in PERSON_EVENTS and event not in ("stop", "clear")}
    assert found <= set(HELD_ARMED)


def test_set_up_is_entered_by_a_person_out_of_armed() -> None:
    """SETUP has one way in, and a fault keeps it shut until it is cleared and the thrower armed anew."""
    assert [pair for pair, then in TABLE.items() if then == "SETUP"] == [("ARMED", "setup")]
    for missing in ("clear", "armed"):
        assert "SETUP" not in reached(
            "FAULT", tuple(event for event in PERSON_EVENTS + MACHINE_EVENTS if event != missing)
        )


def test_what_ends_leads_down() -> None:
    """`at_rest` leads from STOPPING to IDLE and from QUICKSTOP to FAULT, and there is no other."""
    found = {state: then for (state, event), then in TABLE.items() if event == "at_rest"}
    assert found == {"STOPPING": "IDLE", "QUICKSTOP": "FAULT"}


def test_standing_states_are_never_called_moving() -> None:
    """The sets of states used elsewhere are what their names say."""
    assert not MOVING & set(STANDSTILL)
    assert RUNNING | {"ARMED"} == UNDER_WAY
    assert RUNNING < MOVING


def test_what_the_table_does_not_list_changes_nothing() -> None:
    """A pair that is not in the table has no effect."""
    listed = sum(after(state, event) is not None for state in STATES for event in (*PERSON_EVENTS, *MACHINE_EVENTS))
    assert listed == len(TABLE)
