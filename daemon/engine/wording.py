"""How an event is told to people: its topic, its sentence and its cue.

Rule of this file: one case for each kind of event, and strict mypy sees a missing one. The sentences stand in
`protocol/texts/en/notices.py`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import assert_never

from drillfeed.daemon.engine import events as e
from drillfeed.daemon.engine.states import Event as StateEvent
from drillfeed.protocol.texts.catalogue import text

CUES: Mapping[StateEvent, str] = {
    "start": "wheels",
    "resume": "wheels",
    "ready": "wheels",
    "rest_timed_out": "wheels",
    "setup": "wheels",
    "pause": "pause",
    "stop": "stop",
    "fault": "fault",
    "set_over": "set-end",
    "drill_over": "drill-end",
}
"""The sound and sign that go with what led to a new state; what is not listed has none."""
CHANGE_CUE = "change"


@dataclass(frozen=True)
class Worded:
    """An event as watchers are told it."""

    at_s: float
    topic: str
    text: str
    cue: str | None
    fields: Mapping[str, e.Scalar]
    event: e.Event


def worded(event: e.Event) -> Worded:
    """Put an event into words."""
    topic, sentence, cue = _told(event)
    return Worded(event.at_s, topic, sentence, cue, e.figures(event), event)


def sentence(event: e.Event) -> str:
    """Return the sentence alone: what a command answers that led to the event."""
    return _told(event)[1]


def _told(event: e.Event) -> tuple[str, str, str | None]:
    """Return topic, sentence and cue."""
    match event:
        case e.StateChanged():
            named = {"state": event.state, "reason": event.reason}
            said = text("state.changed", **named) if event.reason else event.state
            return "state", said, CUES.get(event.event)
        case e.FaultLatched():
            return "fault", text("fault.latched", cause=event.cause, seen=event.seen), "fault"
        case e.DriverConnected():
            return "link", text("link.connected", driver=event.driver), None
        case e.DriverMisfit():
            return "link", text("link.misfit", what=event.what), None
        case e.DriverContradicts():
            return "log", event.what, None
        case e.ComputerSlept():
            return "log", text("seen.slept", slept_s=event.slept_s), None
        case e.BallSettled():
            why = text("ball.why", reason=event.reason) if event.reason else ""
            return "ball", text("ball.settled", n=event.n, title=event.title, outcome=event.outcome, why=why), None
        case e.BallLeft():
            return "exit", text("exit.seen", n=event.n) if event.seen else text("exit.unseen", n=event.n), None
        case e.DoubleFeed():
            return "log", text("exit.double"), None
        case e.ExitSensorDistrusted():
            return "log", text("exit.distrusted"), None
        case e.HopperCounted():
            return "hopper", text("hopper.counted", left=event.left), None
        case e.HopperLow():
            return "hopper", text("hopper.low", left=event.left), "hopper-low"
        case e.CountdownTicked():
            return "countdown", f"{event.seconds}", "tick"
        case _:
            return _told_of_practice(event)


PracticeEvent = (
    e.DrillLoaded
    | e.SetBegan
    | e.SetEnded
    | e.ChangeWaits
    | e.ChangeInForce
    | e.DrillQueued
    | e.QueuedDrillLoaded
    | e.ChangeDropped
    | e.StartOffered
    | e.BallMarked
    | e.SetMarked
    | e.RestNowWaits
    | e.TiltDrifts
    | e.CautionsAccepted
    | e.PlayerChosen
    | e.WheelTurns
    | e.SetupReleased
    | e.SetupBallSettled
)


def _told_of_practice(event: PracticeEvent) -> tuple[str, str, str | None]:
    match event:
        case e.DrillLoaded():
            return "set", text("set.loaded", drill=event.drill), None
        case e.SetBegan():
            return "set", _set_begins(event), None
        case e.SetEnded():
            return "set", text("set.over", number=event.set), None
        case e.ChangeWaits():
            return "change", _changed(event, text("change.later")), CHANGE_CUE
        case e.ChangeInForce():
            when = text("change.from-start") if event.moment == "start" else text("change.from-ball", n=event.n)
            return "change", _changed(event, when), CHANGE_CUE
        case e.DrillQueued():
            return "change", text("change.queued", drill=event.drill, who=event.who), CHANGE_CUE
        case e.QueuedDrillLoaded():
            return "change", text("change.queued-loaded", drill=event.drill), None
        case e.ChangeDropped():
            return "change", text("change.dropped", verb=event.verb), None
        case e.StartOffered():
            offered = {"by": event.by, "leads_to": event.leads_to, "number": event.number}
            return "offer", text("offer.made", **offered), "offer"
        case e.BallMarked():
            return "mark", text("mark.ball-made" if event.made else "mark.ball-missed", n=event.n), None
        case e.SetMarked():
            return "mark", text("mark.set", number=event.set, made=event.made, out_of=event.out_of), None
        case e.RestNowWaits():
            return "log", text("rest.now-waits", why=event.why), None
        case e.TiltDrifts():
            return "log", text("tilt.drifts", moves=event.moves, error_deg=event.error_deg), None
        case e.CautionsAccepted():
            return "log", text("cautions.accepted", by=event.by), None
        case e.PlayerChosen():
            who = text("player.nobody") if event.plays is None else event.plays
            return "log", text("player.chosen", who=who, limits=event.limits), None
        case e.WheelTurns():
            return "log", event.what, None
        case e.SetupReleased():
            return "log", text("setup.released"), None
        case e.SetupBallSettled():
            why = text("setup.why", reason=event.reason) if event.reason else ""
            return "log", text("setup.ball", result=event.setup, why=why), None
        case _:
            assert_never(event)


def _set_begins(event: e.SetBegan) -> str:
    balls = text("count.balls", count=event.balls)
    return text("set.begins", number=event.set, sets=event.of_sets, balls=balls, tempo_per_min=event.tempo_per_min)


def _changed(event: e.ChangeWaits | e.ChangeInForce, when: str) -> str:
    return text(
        "change.told",
        verb=event.change,
        when=when,
        named=event.named,
        tempo_per_min=event.tempo_per_min,
        who=event.who,
    )
