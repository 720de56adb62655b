"""Changes in mid-drill, on the virtual clock: when they hold, how they are told, and that they can be done again."""

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import pytest

from drillfeed.daemon.drills.drill import Drill, read_drill
from drillfeed.daemon.drills.ladder import Changes
from drillfeed.daemon.engine.live_changes import based_on
from drillfeed.daemon.engine.schedule import SetRun
from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.daemon.planning.change import change_plan
from drillfeed.daemon.planning.plan import DrillPlan, plan_drill
from drillfeed.daemon.planning.setting import NotPossible
from drillfeed.protocol.commands import parse
from drillfeed.protocol.lines import Reply
from drillfeed.protocol.spec import Caller
from tests.support.halls import WatchedHall, ball_types, drill_plan, machine
from tests.support.reproducing import InForce, reproduce, swaps_in

COACH = Caller("coach", "coach", "elsewhere")
PLAYER = Caller("player", "player", "here")
RANDOM = {"kind": "random", "weights": {"light-topspin": 2, "light-push": 2, "rally-topspin": 1}, "max_alike": 2}


def a_drill(balls: tuple[int, ...] = (8, 6), rest_s: float | None = None, **more: Any) -> Drill:
    sets = [{"balls": n, "sequence": RANDOM} | ({"rest_s": rest_s} if rest_s else {}) for n in balls]
    head = {"name": "a-drill", "title": "a drill", "level": "club", "tempo_per_min": 36, "resume_delay_s": 3}
    return read_drill({**head, "start_delay_s": 5, "set": sets, **more}, "a test")


def planned(drill: Drill, seed: int = 3) -> DrillPlan:
    return plan_drill(drill, ball_types(), machine(), seed)


def ask(hall: WatchedHall, line: str, caller: Caller = COACH) -> Reply:
    """Give a change as the desk does: planned from the newest plan, then carried out."""
    command = parse(line)
    base = based_on(hall.engine.parts, command.verb)
    assert base is not None
    swap = (str(command.values["ball"]), str(command.values["to"])) if command.verb == "swap" else None
    return hall.hall.say(line, caller, change_plan(base, command.verb, ball_types(), machine(), swap), base)


def fields(hall: WatchedHall, topic: str) -> list[Mapping[str, Any]]:
    return [event.fields for event in hall.hall.events if event.topic == topic]


def thrown(hall: WatchedHall) -> list[Mapping[str, Any]]:
    return [ball for ball in fields(hall, "ball") if ball["outcome"] == "fed"]


def gaps_s(balls: list[Mapping[str, Any]]) -> list[float]:
    return [round(b["planned_leaves_s"] - a["planned_leaves_s"], 3) for a, b in pairwise(balls)]


def cues(hall: WatchedHall) -> list[str]:
    return [event.cue for event in hall.hall.events if event.cue]


@pytest.mark.parametrize("verb", ["easier", "slower"])
def test_easier_holds_from_the_first_ball_whose_wheels_have_not_started(verb: str) -> None:
    """The tempo changes with the ball that the notice names, in the middle of the set, and nothing runs early."""
    hall = WatchedHall().feeding(planned(a_drill()), fed=3)
    reply = ask(hall, verb)
    told = fields(hall, "change")[-1]
    assert reply.ok and told["in_force"] and told["change"] == verb and told["who"] == "coach"
    assert told["n"] == 5 and told["set"] == 1 and told["after_balls"] == 4
    assert hall.hall.until_state("RESTING")
    assert gaps_s(thrown(hall)) == [1.667] * 3 + [1.935] * 4
    assert told["tempo_per_min"] == 31.0
    hall.sound()


def test_harder_waits_for_the_end_of_the_set_and_is_announced() -> None:
    """The set ends as it began; the next one begins, harder, with its own countdown; both are told with a cue."""
    hall = WatchedHall().feeding(planned(a_drill(rest_s=3.0)), fed=2)
    assert ask(hall, "harder").text.startswith("harder when the set is over, or at a pause: rung +1")
    asked = fields(hall, "change")[-1]
    assert not asked["in_force"] and "n" not in asked
    assert hall.hall.until_state("RESTING")
    assert gaps_s(thrown(hall)) == [1.667] * 7
    came = fields(hall, "change")[-1]
    assert came["in_force"] and (came["n"], came["set"], came["after_balls"], came["rung"]) == (9, 2, 0, 1)
    assert cues(hall).count("change") == 2
    told_s = hall.hall.now_s
    assert hall.hall.until_state("ARMED", max_s=90)
    later = [event for event in hall.hall.events if event.at_s > told_s]
    assert [event.text for event in later if event.topic == "countdown"] == ["3", "2", "1"]
    assert gaps_s(thrown(hall)[8:]) == [1.463] * 5
    hall.sound()


def test_harder_comes_into_force_at_a_pause() -> None:
    """A pause is a boundary too: once the last ball is known, what waits is in force; a resume counts down to it."""
    hall = WatchedHall().feeding(planned(a_drill()), fed=2)
    ask(hall, "harder")
    hall.ok("pause")
    assert hall.hall.run_until(lambda: bool(fields(hall, "change")[-1]["in_force"]), 3.0)
    n = fields(hall, "change")[-1]["n"]
    assert hall.state == "PAUSED"
    hall.ok("resume")
    assert hall.hall.until_state("RESTING")
    balls = thrown(hall)
    assert [ball["n"] for ball in balls] == list(range(1, 9))
    assert set(gaps_s(balls[n - 1 :])) == {1.463}
    hall.sound()


def test_a_change_in_a_rest_holds_for_the_whole_next_set() -> None:
    """In a rest nothing flies: a harder set, or another ball, is in force at once and from its first ball."""
    hall = WatchedHall().feeding(planned(a_drill(balls=(2, 4))))
    assert hall.hall.until_state("RESTING")
    ask(hall, "swap light-topspin to no-spin-steady")
    assert fields(hall, "change")[-1]["n"] == 3
    hall.ok("ready")
    assert hall.hall.until_state("ARMED", max_s=60)
    names = [ball["ball"] for ball in thrown(hall)[2:]]
    assert "light-topspin" not in names and "no-spin-steady" in names


def test_easier_takes_the_place_of_a_harder_that_waits() -> None:
    """Whoever eases is heard at once: the step is down from what runs, and what waited is forgotten."""
    hall = WatchedHall().feeding(planned(a_drill()))
    ask(hall, "harder")
    ask(hall, "easier")
    assert hall.engine.parts.practice.waiting is None and hall.engine.parts.practice.plan is not None
    assert hall.engine.parts.practice.plan.changes.rung == -1


def test_two_calls_make_two_steps() -> None:
    """Each call goes out from what the one before asked for, whether that holds yet or waits."""
    hall = WatchedHall().feeding(planned(a_drill()))
    ask(hall, "harder")
    ask(hall, "harder")
    assert hall.engine.parts.practice.waiting is not None and hall.engine.parts.practice.waiting.plan.changes.rung == 2
    ask(hall, "easier")
    ask(hall, "easier")
    assert hall.engine.parts.practice.plan is not None and hall.engine.parts.practice.plan.changes.rung == -2


def test_a_plan_made_from_an_older_one_is_refused() -> None:
    """Where another change came in between, nothing is changed and the answer says to look again."""
    hall = WatchedHall().feeding(planned(a_drill()))
    base = hall.engine.parts.practice.plan
    assert base is not None
    stale = change_plan(base, "slower", ball_types(), machine())
    ask(hall, "easier")
    reply = hall.hall.say("slower", COACH, stale, base)
    assert reply.code is not None and reply.code.name == "busy"


def test_the_ladder_of_the_drill_is_what_status_names() -> None:
    """A written step is named in words; at its end the refusal says how many steps there are."""
    ladder = [{"title": "no rally topspin", "swap": {"rally-topspin": "light-topspin"}}]
    hall = WatchedHall().feeding(planned(a_drill(easier=ladder)))
    ask(hall, "easier")
    seen = snapshot(hall.engine.parts, hall.hall.now_s)
    assert (seen.rung, seen.step, seen.changes) == (-1, "no rally topspin", "rung -1")
    with pytest.raises(NotPossible, match="the ladder of a-drill has 1 easier step and no more"):
        ask(hall, "easier")


def test_nothing_gets_faster_than_its_drill_allows() -> None:
    """The bound of the drill holds for steps and for tempo, and the refusal names it."""
    hall = WatchedHall().feeding(planned(a_drill(max_per_min=39)))
    ask(hall, "faster")
    assert hall.engine.parts.practice.waiting is not None
    assert 60 / hall.engine.parts.practice.waiting.plan.sets[0].interval_s == pytest.approx(39)
    for verb in ("faster", "harder"):
        with pytest.raises(NotPossible, match="would change nothing: a-drill runs at 39/min at most"):
            ask(hall, verb)


def test_a_single_ball_is_not_changed() -> None:
    """While one ball is thrown for a look, the loaded drill is left alone."""
    hall = WatchedHall().armed(planned(a_drill()))
    base = hall.engine.parts.practice.plan
    hall.ok("throw light-push 0", plan=drill_plan(balls=("light-push",), sets=(1,)))
    reply = ask(hall, "easier")
    assert reply.code is not None and reply.code.name == "busy"
    assert hall.engine.parts.practice.plan is base
    assert hall.hall.until_state("ARMED")
    assert ask(hall, "easier").text.startswith("easier from its start: rung -1")


def test_after_its_end_a_drill_is_changed_for_its_next_start() -> None:
    """A run that is over keeps what it was: the change holds from the first ball of the next start."""
    hall = WatchedHall().feeding(planned(a_drill(balls=(2,))))
    assert hall.hall.until_state("ARMED")
    ask(hall, "slower")
    assert fields(hall, "change")[-1]["n"] == 1
    hall.ok(f"start {hall.engine.parts.mode.stop_count}")
    assert hall.hall.until_state("FEEDING") and hall.hall.until_state("ARMED")
    assert gaps_s(thrown(hall)[2:]) == [1.935]


def test_without_a_drill_there_is_nothing_to_change() -> None:
    """A change before any load is refused with the next step."""
    hall = WatchedHall().ready()
    reply = hall.hall.say("easier", COACH)
    assert reply.code is not None and reply.code.name == "no-drill"
    assert "load NAME" in reply.text


def test_a_queued_drill_waits_for_ready() -> None:
    """After the last set comes a rest; for as long as nobody says ready the wheels stand and nothing is fed."""
    hall = WatchedHall().feeding(planned(a_drill(balls=(3,))))
    other = planned(a_drill(balls=(4,), name="another", title="another drill"), seed=9)
    hall.ok("queue another", plan=other)
    assert snapshot(hall.engine.parts, hall.hall.now_s).queued == "another"
    assert hall.hall.until_state("RESTING")
    hall.hall.run_for(90)
    assert hall.state == "RESTING" and len(thrown(hall)) == 3
    assert hall.engine.parts.at_rest(hall.hall.now_s)[0] is True
    assert snapshot(hall.engine.parts, hall.hall.now_s).next_step == "ready"
    hall.ok("mark made 2 of 3")
    hall.ok("ready")
    assert hall.hall.until_state("ARMED", max_s=60)
    assert [ball["ball"] for ball in thrown(hall)[3:]] == [ball.ball for ball in other.sets[0].balls]
    begun = next(change for change in fields(hall, "change") if change["in_force"])
    assert (begun["change"], begun["drill"], begun["seed"], begun["n"]) == ("queue", "another", 9, 1)
    hall.sound()


def test_skip_in_the_last_set_brings_the_queued_drill_nearer_but_does_not_start_it() -> None:
    """A skip leads to the rest before the queued drill; a skip of that rest ends the run."""
    hall = WatchedHall().feeding(planned(a_drill(balls=(6,))))
    hall.ok("queue another", plan=planned(a_drill(balls=(4,), name="another", title="another drill")))
    hall.ok("pause")
    hall.hall.run_for(1.0)
    assert "another is next" in hall.ok("skip")
    assert hall.state == "RESTING"
    hall.ok("pause")
    hall.hall.run_for(1.0)
    assert "another is next" in hall.ok("resume")
    hall.ok("skip")
    assert hall.state == "STOPPING"


@pytest.mark.parametrize("end", ["stop", "disarm"])
def test_a_stop_leaves_the_queued_drill_loaded_and_still(end: str) -> None:
    """What was next is loaded, waits for its own start, and a change that waited comes to nothing."""
    hall = WatchedHall().feeding(planned(a_drill()))
    ask(hall, "harder")
    hall.ok("queue another", plan=planned(a_drill(balls=(4,), name="another", title="another drill")))
    if end == "disarm":
        hall.ok("pause")
        hall.hall.run_for(1.0)
    hall.ok(end)
    assert hall.hall.until_state("IDLE")
    hall.hall.run_for(30)
    assert (
        hall.state == "IDLE"
        and hall.engine.parts.practice.queued is None
        and hall.engine.parts.practice.waiting is None
    )
    assert hall.engine.parts.practice.plan is not None and hall.engine.parts.practice.plan.drill.name == "another"


@pytest.mark.parametrize("seed", range(4))
def test_seed_and_notices_give_the_run_again(seed: int) -> None:
    """From the drill, the seed and what was told, every ball that was thrown follows, in its order."""
    drill = a_drill(balls=(7, 7, 6), rest_s=2.0)
    hall = WatchedHall().feeding(planned(drill, seed), fed=2 + seed % 2)
    ask(hall, "easier")
    ask(hall, "swap light-push to heavy-push")
    assert hall.hall.run_until(lambda: hall.commanded >= 9 + seed, 60)
    ask(hall, "slower")
    if seed % 2:
        hall.ok("pause")
        hall.hall.run_for(1.0)
        ask(hall, "harder")
        hall.ok("resume")
    assert hall.hall.until_state("ARMED", max_s=120)
    told = [
        InForce(
            change["set"],
            change["after_balls"],
            plan_drill(drill, ball_types(), machine(), change["seed"], changes=changes),
        )
        for change in fields(hall, "change")
        if change["in_force"]
        for changes in [Changes(change["rung"], change["tempo_change_per_min"], swaps_in(change["swaps"]))]
    ]
    again = [ball.ball for set_balls in reproduce(planned(drill, seed), told) for ball in set_balls]
    assert [ball["ball"] for ball in thrown(hall)] == again
    assert [ball["n"] for ball in thrown(hall)] == list(range(1, 21))
    hall.sound()


def test_missed_balls_still_come_at_the_end_after_a_change() -> None:
    """A ball that was not thrown keeps its place at the end of the set, no faster than the new tempo."""
    plan = planned(a_drill(balls=(5,)))
    slower = change_plan(plan, "slower", ball_types(), machine())
    run = SetRun(plan.sets[0], 0)
    missed = run.begin(10.0, 1)
    assert [slot.outcome for slot in run.due(9.9, "closed", lambda slot: True)] == []
    assert missed.outcome == "skipped"
    run.change(slower.sets[0])
    assert run.taken == 1 and run.next_n == 2
    assert [ball.ball for ball in run.queue] == [ball.ball for ball in (*plan.sets[0].balls[1:], missed.ball)]
    assert {round(ball.gap_s, 3) for ball in run.queue} == {1.935}


def test_gaps_hold_where_the_old_plan_meets_the_new() -> None:
    """Between a ball of the plan before and a ball of the one after lies what the machine needs for that change."""
    plan = planned(a_drill())
    swapped = change_plan(plan, "swap", ball_types(), machine(), ("light-push", "short-backspin-serve"))
    for old, new in (("rally-topspin", "short-backspin-serve"), ("light-push", "short-backspin-serve")):
        met = swapped.sets[0].min_gap_s[old, new]
        both = read_drill(
            {
                "name": "x", "title": "x", "level": "club", "tempo_per_min": 20,
                "set": [{"balls": 2, "sequence": {"kind": "fixed", "balls": [old, new]}}],
            },
            "a test",
        )  # fmt: skip
        assert met == pytest.approx(planned(both).sets[0].min_gap_s[old, new])
