"""A driver that contradicts itself is never believed over the figures: told in status, not armed, and stopped again."""

from collections.abc import Callable

import pytest

from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.protocol.link import TICK_S
from drillfeed.protocol.status_text import status_lines
from tests.support.bent import StatusFields, bend
from tests.support.halls import WatchedHall, drill_plan, machine

FAR = 2**53


def said(hall: WatchedHall) -> str:
    return "\n".join(status_lines(snapshot(hall.engine.parts, hall.hall.now_s)))


def of_status(change: Callable[[StatusFields], None]) -> Callable[[StatusFields], None]:
    """Return `change` for statuses alone."""
    return lambda told: change(told) if told["kind"] == "status" else None


def at_rest_with_3000_rpm(told: StatusFields) -> None:
    told.update(at_rest=True, rest_known="measured")
    told["top"]["measured_rpm"] = 3000.0


def at_rest_with_an_output(told: StatusFields) -> None:
    told.update(at_rest=True)
    told["bottom"]["target_rpm"] = 1200.0


def outputs_while_disarmed(told: StatusFields) -> None:
    told.update(mode="disarmed")
    told["top"]["target_rpm"] = 3000.0


def feed_open_while_disarmed(told: StatusFields) -> None:
    told.update(mode="disarmed", feeding=True)


def agitator_while_disarmed(told: StatusFields) -> None:
    told.update(mode="disarmed", agitator=True)


def armed_by_nobody(told: StatusFields) -> None:
    told.update(mode="armed")


def armed_with_outputs(told: StatusFields) -> None:
    told.update(mode="armed", at_rest=True)
    told["top"]["target_rpm"] = told["bottom"]["target_rpm"] = 3000.0


def epoch_far_ahead(told: StatusFields) -> None:
    told.update(epoch=FAR)


def seq_far_ahead(told: StatusFields) -> None:
    told.update(seq=FAR)


def results_of_the_future(told: StatusFields) -> None:
    told.update(feeds=[{"id": 0, "result": "done", "at_s": told["now_s"] + 5.0}])


def results_of_balls_never_told(told: StatusFields) -> None:
    told.update(feeds=[{"id": 812, "result": "done", "at_s": told["now_s"]}])


def exits_of_the_future(told: StatusFields) -> None:
    told.update(exits=[{"n": 1, "at_s": told["now_s"] + 5.0}])


LIES: dict[Callable[[StatusFields], None], str] = {
    at_rest_with_3000_rpm: "3,000 rpm",
    at_rest_with_an_output: "1,200 rpm",
    outputs_while_disarmed: "3,000 rpm",
    feed_open_while_disarmed: "feed is open",
    agitator_while_disarmed: "agitator runs",
    armed_by_nobody: "armed",
    armed_with_outputs: "armed",
    epoch_far_ahead: "epoch",
    seq_far_ahead: "setpoint",
    results_of_the_future: "5.0 s ahead",
    results_of_balls_never_told: "812",
    exits_of_the_future: "5.0 s ahead",
}


@pytest.mark.parametrize("lie", LIES, ids=lambda lie: lie.__name__)
def test_it_is_told_in_status_and_arming_is_refused(lie: Callable[[StatusFields], None]) -> None:
    """Each contradiction is named in `status` while idle, watchers are told of it once, and `arm` is refused for it."""
    hall = WatchedHall().ready()
    bend(hall, of_status(lie))
    hall.hall.run_for(1.0)
    assert LIES[lie] in said(hall)
    warnings = snapshot(hall.engine.parts, hall.hall.now_s).warnings
    contradictions = [line for line in warnings if line.startswith("the driver contradicts itself")]
    assert contradictions, warnings
    assert len([text for text in hall.told("log") if text == contradictions[0]]) == 1
    reply = hall.hall.say("arm")
    assert reply.code is not None, reply.text
    assert LIES[lie] in reply.text, reply.text
    assert hall.state in ("IDLE", "OFFLINE")
    hall.hall.run_for(1.0)
    assert hall.hall.core.mode != "armed"


@pytest.mark.parametrize("lie", [lie for lie in LIES if lie is not armed_by_nobody], ids=lambda lie: lie.__name__)
def test_an_armed_thrower_is_stopped_for_it(lie: Callable[[StatusFields], None]) -> None:
    """The same while armed, or while balls are fed: a fault, and no ball after it."""
    for feeding in (False, True):
        hall = WatchedHall()
        hall.feeding(drill_plan(sets=(20,))) if feeding else hall.armed()
        bend(hall, of_status(lie))
        began_s = hall.hall.now_s
        assert hall.hall.until_state("QUICKSTOP", max_s=1.0), (feeding, said(hall))
        assert hall.hall.now_s - began_s <= 0.7
        fed = len(hall.feeds())
        hall.hall.run_for(30.0)
        assert len(hall.feeds()) - fed <= 0
        assert hall.hall.board.top_rpm == hall.hall.board.bottom_rpm == 0
        hall.sound()


def test_a_moment_of_it_is_no_fault() -> None:
    """One such status between good ones, as a driver sends it in the very instant of a change, ends no drill."""
    hall = WatchedHall().feeding(drill_plan(sets=(4,)))
    once = [1]

    def bent(told: StatusFields) -> None:
        if told["kind"] == "status" and once:
            once.pop()
            at_rest_with_3000_rpm(told)

    bend(hall, bent)
    assert hall.hall.until_state("ARMED", "QUICKSTOP", max_s=30.0)
    assert hall.state == "ARMED", hall.told("fault")


@pytest.mark.parametrize("on", ["club-build", "kit-build"])
def test_no_shipped_driver_ever_contradicts_itself(on: str) -> None:
    """A practice with pause, stop, arming anew and a second drill: no contradiction is told of the shipped driver."""
    hall = WatchedHall(machine(on)).feeding(drill_plan(machine(on), sets=(2, 2), rest_s=5.0))
    hall.ok("pause")
    hall.hall.run_for(2.0)
    hall.ok("crank-at-mark")
    hall.ok("resume")
    assert hall.hall.until_state("RESTING")
    assert hall.hall.until_state("FEEDING")
    hall.ok("stop")
    assert hall.hall.until_state("IDLE")
    hall.hall.run_for(2.0)
    hall.ok("arm")
    hall.ok("disarm")
    assert hall.hall.until_state("IDLE")
    assert not [text for text in hall.told("log") if "contradicts" in text]


@pytest.mark.parametrize("epoch", ["far", "next", "as asked"])
def test_a_stop_is_repeated_whatever_the_driver_says_of_epochs(epoch: str) -> None:
    """A driver that shows an epoch of 2^53, or the right one, with every stop lost but the fifth, still gets it."""
    hall = WatchedHall().feeding(drill_plan(sets=(20,)))
    stops = [0]

    def told_epoch(told: StatusFields) -> None:
        told["epoch"] = {
            "far": FAR,
            "next": hall.engine.parts.link.epoch + 1,
            "as asked": hall.engine.parts.link.epoch,
        }[epoch]

    def delays(to: str, frame: bytes) -> tuple[float, ...]:
        if to == "driver" and b'"kind":"stop"' in frame:
            stops[0] += 1
            return (0.001,) if stops[0] > 4 else ()
        # Setpoints of the new epoch would close the feed as well: here only the stop itself is to do it.
        return () if to == "driver" and stops[0] and b'"kind":"setpoint"' in frame else (0.001,)

    bend(hall, of_status(told_epoch))
    hall.delays = delays  # type: ignore[method-assign]
    began_s = hall.hall.now_s
    hall.ok("stop")
    hall.hall.run_until(lambda: hall.hall.core.mode != "armed", 2.0)
    assert hall.hall.core.mode in ("stopping", "disarmed")
    assert hall.hall.now_s - began_s <= 6 * TICK_S


def test_epochs_that_go_to_and_fro_do_not_hide_a_deaf_driver() -> None:
    """A driver that accepts nothing, and shows another epoch or seq each time, is found out within 0.7 s."""
    for field, values in (("epoch", (1, 2)), ("seq", (1, 2)), ("epoch", (FAR, 1))):
        hall = WatchedHall().feeding(drill_plan(sets=(20,)))
        heard: list[int] = []

        def bent(
            told: StatusFields, field: str = field, values: tuple[int, int] = values, heard: list[int] = heard
        ) -> None:
            heard.append(1)
            told[field] = values[len(heard) % 2]

        bend(hall, of_status(bent))
        began_s = hall.hall.now_s
        assert hall.hall.until_state("QUICKSTOP", max_s=2.0), (field, values)
        assert hall.hall.now_s - began_s <= 0.7


def test_a_result_of_the_future_counts_for_nothing() -> None:
    """A ball whose push is told before it was asked for is not counted as fed; nor is one told ahead of time."""
    hall = WatchedHall().started(drill_plan(sets=(3,)))
    assert hall.state == "SPINUP"
    run = hall.engine.parts.practice.run
    assert run is not None
    first = run.set_run.slots[0].id

    def bent(told: StatusFields) -> None:
        if not hall.feeds():
            told["feeds"] = [{"id": first, "result": "done", "at_s": told["now_s"]}]

    bend(hall, of_status(bent))
    hall.hall.run_for(0.06)
    assert run.commanded == 0
    assert all(slot.outcome is None for slot in run.set_run.slots)


def test_wheels_that_are_measured_to_turn_do_not_count_as_standing_after_a_stop() -> None:
    """After a stop the thrower stays in STOPPING while a wheel is measured to turn, whatever `at_rest` says."""
    hall = WatchedHall().feeding(drill_plan(sets=(20,)))
    bend(hall, of_status(at_rest_with_3000_rpm))
    hall.ok("stop")
    hall.hall.run_for(machine().spin_down_s)
    assert hall.state in ("STOPPING", "QUICKSTOP")
    assert snapshot(hall.engine.parts, hall.hall.now_s).wheels_at_rest is False
