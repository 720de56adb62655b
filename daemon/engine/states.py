"""States and transitions as data: what may follow what, and why.

Rule of this file: a pair of state and event that is not in the table changes nothing. Events are of two
kinds: a person's (a command), and the machine's own. Of the machine's own events only `at_speed` (out of
SPINUP, which a person began) and `rest_timed_out` (a timed rest inside a start that a person gave) lead
towards feeding.
"""

from typing import Literal, get_args

from drillfeed.protocol.status import State

PersonEvent = Literal["start", "pause", "resume", "ready", "stop", "skip", "disarm", "clear", "setup"]
MachineEvent = Literal[
    "link_up",
    "link_lost",
    "armed",
    "at_speed",
    "set_over",
    "rest_timed_out",
    "drill_over",
    "fault",
    "at_rest",
    "at_rest_armed",
    "rest_unseen",
]
Event = PersonEvent | MachineEvent
PERSON_EVENTS: tuple[PersonEvent, ...] = get_args(PersonEvent)
MACHINE_EVENTS: tuple[MachineEvent, ...] = get_args(MachineEvent)

MOVING: frozenset[State] = frozenset({"SPINUP", "FEEDING", "RESTING", "PAUSED", "STOPPING", "QUICKSTOP"})
ENDS_ARMED: Event = "drill_over"
"""`at_rest_armed` follows only where this was the newest event that led into STOPPING: no stop, no disarm since."""

RUNNING: frozenset[State] = frozenset({"SPINUP", "FEEDING", "RESTING", "PAUSED"})
UNDER_WAY: frozenset[State] = RUNNING | {"ARMED"}

TABLE: dict[tuple[State, Event], State] = {
    ("OFFLINE", "link_up"): "IDLE",
    ("OFFLINE", "stop"): "OFFLINE",
    ("OFFLINE", "fault"): "FAULT",
    ("IDLE", "armed"): "ARMED",
    ("IDLE", "stop"): "STOPPING",
    ("IDLE", "fault"): "QUICKSTOP",
    ("IDLE", "link_lost"): "OFFLINE",
    ("ARMED", "start"): "SPINUP",
    ("ARMED", "setup"): "SETUP",
    ("ARMED", "disarm"): "STOPPING",
    ("ARMED", "stop"): "STOPPING",
    ("ARMED", "fault"): "QUICKSTOP",
    ("SPINUP", "at_speed"): "FEEDING",
    ("SPINUP", "pause"): "PAUSED",
    ("SPINUP", "drill_over"): "STOPPING",
    ("SPINUP", "stop"): "STOPPING",
    ("SPINUP", "fault"): "QUICKSTOP",
    ("FEEDING", "set_over"): "RESTING",
    ("FEEDING", "drill_over"): "STOPPING",
    ("FEEDING", "pause"): "PAUSED",
    ("FEEDING", "stop"): "STOPPING",
    ("FEEDING", "fault"): "QUICKSTOP",
    ("RESTING", "ready"): "SPINUP",
    ("RESTING", "rest_timed_out"): "SPINUP",
    ("RESTING", "skip"): "RESTING",
    ("RESTING", "pause"): "PAUSED",
    ("RESTING", "disarm"): "STOPPING",
    ("RESTING", "drill_over"): "STOPPING",
    ("RESTING", "stop"): "STOPPING",
    ("RESTING", "fault"): "QUICKSTOP",
    ("PAUSED", "resume"): "SPINUP",
    ("PAUSED", "skip"): "RESTING",
    ("PAUSED", "disarm"): "STOPPING",
    ("PAUSED", "drill_over"): "STOPPING",
    ("PAUSED", "stop"): "STOPPING",
    ("PAUSED", "fault"): "QUICKSTOP",
    ("STOPPING", "at_rest"): "IDLE",
    ("STOPPING", "at_rest_armed"): "ARMED",
    ("STOPPING", "stop"): "STOPPING",
    ("STOPPING", "fault"): "QUICKSTOP",
    ("QUICKSTOP", "at_rest"): "FAULT",
    ("QUICKSTOP", "rest_unseen"): "FAULT",
    ("QUICKSTOP", "stop"): "QUICKSTOP",
    ("QUICKSTOP", "fault"): "QUICKSTOP",
    ("FAULT", "clear"): "IDLE",
    ("FAULT", "stop"): "FAULT",
    ("FAULT", "fault"): "FAULT",
    ("SETUP", "disarm"): "STOPPING",
    ("SETUP", "stop"): "STOPPING",
    ("SETUP", "fault"): "QUICKSTOP",
}


def after(state: State, event: Event) -> State | None:
    """Return the state that `event` leads to from `state`, or None where it has no effect."""
    return TABLE.get((state, event))
