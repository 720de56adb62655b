"""What was written is read back: sums, blanks, shares, days, and their texts."""

import contextlib
import csv
import io
import json
from datetime import datetime, timedelta
from pathlib import Path
from sqlite3 import Connection

import pytest

from drillfeed.daemon.engine.events import BallMarked, ChangeInForce, FaultLatched
from drillfeed.daemon.journal import reading, report
from drillfeed.daemon.journal.entries import EventEntry
from drillfeed.daemon.journal.limits import Limits, warnings_of
from drillfeed.daemon.journal.schema import open_to_read
from drillfeed.protocol.errors import Refused
from tests.journal.entries_of_a_practice import (
    COACH,
    SATURDAY,
    a_ball,
    a_mark,
    a_set,
    an_exit,
    journal_in,
    left_hander,
    ordered,
    write_all,
)

FAULT = {
    "cause": "still-turning",
    "seen": "the wheels turn",
    "hint": "a sensor",
    "next_step": "look, then: clear",
    "recent": "-0.020 to driver {}\n+0.000 from driver {}",
}

EASIER = ChangeInForce(
    at_s=76.0,
    change="easier",
    in_force=True,
    who="player",
    drill="lift-the-push",
    seed=7,
    rung=-1,
    step="slower",
    tempo_change_per_min=-5.0,
    swaps="",
    tempo_per_min=35.0,
    n=22,
    set=2,
    after_balls=3,
    named="rung -1 (slower)",
    moment="running",
)


def reader(folder: Path) -> contextlib.closing[Connection]:
    return contextlib.closing(open_to_read(folder / "journal.sqlite"))


def practise(folder: Path) -> None:
    """A session: two sets of a left-hander, one marked whole, one ball by ball, a change, a refusal, a fault."""
    journal = journal_in(folder)
    write_all(
        journal,
        left_hander(journal),
        ordered(1.0, "start 3"),
        a_set(2.0),
        *(a_ball(10.0 + n, n) for n in range(1, 21)),
        an_exit(10.9, 1),
        an_exit(14.0, 2, seen=0),
        a_mark(40.0, 1, 14, 20),
        ordered(41.0, "load x", COACH, "not-allowed"),
        a_set(60.0, 2),
        a_ball(70.0, 21, "heavy-push", 2),
        a_ball(72.0, 22, "light-push", 2),
        a_ball(74.0, 23, "light-push", 2, "skipped"),
        EventEntry(BallMarked(75.0, 2, 21, 0, 1, "player")),
        EventEntry(EASIER),
        EventEntry(FaultLatched(80.0, **FAULT)),
    )
    journal.end()


def test_figures_that_are_not_known_are_none_and_those_that_are_keep_apart(tmp_path: Path) -> None:
    """Commanded, seen and made are three figures; where nobody saw or marked there is none, not 0."""
    practise(tmp_path)
    with reader(tmp_path) as connection:
        found = reading.session(connection, 1)
    first, second = found.sets
    assert (first.commanded, first.seen, first.made, first.out_of, first.player) == (20, 1, 14, 20, "left-hander")
    assert (second.commanded, second.skipped, second.seen, second.made, second.out_of) == (2, 1, None, 0, 1)
    assert [throw["seen"] for throw in found.throws[:3]] == [1, 0, None]
    assert [throw["made"] for throw in found.throws[-3:]] == [0, None, None]
    assert (found.session.commanded, found.session.seen, found.session.made, found.session.faults) == (22, 1, 14, 1)


def test_share_by_ball_type_counts_single_marks_and_sets_of_one_type_alone(tmp_path: Path) -> None:
    """A mark on a set of one type counts for that type; an unmarked type has no share."""
    practise(tmp_path)
    with reader(tmp_path) as connection:
        found = {share.ball: share for share in reading.session(connection, 1).shares}
    assert (found["light-push"].commanded, found["light-push"].marked, found["light-push"].made) == (21, 20, 14)
    assert found["light-push"].percent == pytest.approx(70.0)
    assert (found["heavy-push"].marked, found["heavy-push"].made) == (1, 0)
    assert reading.Share("block", 9, 0, None).percent is None


def test_commands_are_kept_with_who_from_where_and_what_came_of_them(tmp_path: Path) -> None:
    """Each command has its role, its place and, where it was refused, the code."""
    practise(tmp_path)
    with reader(tmp_path) as connection:
        commands = reading.session(connection, 1).commands
    kept = [
        (command["line"], command["role"], command["came_from"], command["code"], command["code_name"])
        for command in commands
    ]
    assert kept == [
        ("start 3", "player", "127.0.0.1 port 50001", None, None),
        ("load x", "coach", "192.0.2.10 port 50002", 14, "not-allowed"),
    ]


def test_change_keeps_its_ball_number_and_its_fields(tmp_path: Path) -> None:
    """A change made while the drill runs is kept with the ball from which it held."""
    practise(tmp_path)
    with reader(tmp_path) as connection:
        change = reading.session(connection, 1).changes[0]
    assert change["n"] == 22 and json.loads(change["fields"])["rung"] == -1


@pytest.mark.parametrize("width", [40, 60, 80, 160])
def test_one_session_reads_well_narrow_and_wide(tmp_path: Path, width: int) -> None:
    """Every part of a session is told, in lines that fit; unknown figures leave no 0 and no None."""
    practise(tmp_path)
    with reader(tmp_path) as connection:
        lines = report.session_lines(reading.session(connection, 1), width)
    text = "\n".join(lines)
    for part in (
        "14 of 20",
        "left-hander",
        "easier from ball 22",
        "still-turning",
        "look, then: clear",
        "70 %",
        "no 14 not-allowed",
    ):
        assert part in text
    assert "None" not in text
    assert max(map(len, lines)) <= width


def test_sidespin_and_the_angles_of_the_head_are_kept_and_told(tmp_path: Path) -> None:
    """A throw keeps its sidespin, pan and roll; a head without an axis has none. Shown where some ball had sidespin."""
    journal = journal_in(tmp_path)
    bent = a_ball(3.0, 2, "forehand-side-push", side_revps=-18.0, pan_deg=1.5, roll_deg=39.3)
    write_all(journal, a_set(1.0), a_ball(2.0, 1), bent)
    with reader(tmp_path) as connection:
        found = reading.session(connection, 1)
    assert [
        (throw["spin_revps"], throw["side_revps"], throw["pan_deg"], throw["roll_deg"]) for throw in found.throws
    ] == [
        (-20.0, 0.0, None, None),
        (-20.0, -18.0, 1.5, 39.3),
    ]
    head, *rows = _balls_of(report.session_lines(found, 160))
    assert [row[: head.index("side") + 4].split()[-1] for row in rows] == ["+0", "-18"]
    write_all(journal_in(tmp_path, run="run-b"), a_set(1.0), a_ball(2.0, 1))
    with reader(tmp_path) as connection:
        head, row = _balls_of(report.session_lines(reading.session(connection, 2), 160))
    assert "side" not in head and row[: head.index("rev/s") + 5].endswith(" -20")


def _balls_of(lines: list[str]) -> list[str]:
    """Return the lines of the table of balls, the head first."""
    first = lines.index("balls") + 1
    return lines[first : lines.index("", first)]


def test_fault_keeps_its_next_step_and_the_messages_before_it(tmp_path: Path) -> None:
    """All that the fault carried is in the file and in the JSON: cause, what was seen, hint, next step, messages."""
    practise(tmp_path)
    with reader(tmp_path) as connection:
        found = reading.session(connection, 1)
    (kept,) = json.loads(report.as_json(**vars(found)))["faults"]
    assert {"seen": kept["what"], **{key: kept[key] for key in FAULT if key != "seen"}} == FAULT


def test_history_of_a_session_goes_to_json_and_csv_and_back(tmp_path: Path) -> None:
    """JSON has null and CSV an empty field where a figure is not known."""
    practise(tmp_path)
    with reader(tmp_path) as connection:
        found = reading.session(connection, 1)
    data = json.loads(report.as_json(**vars(found)))
    assert data["sets"][1]["seen"] is None and data["shares"][0]["percent"] == 70.0
    rows = list(csv.DictReader(io.StringIO(report.as_csv(found.throws))))
    assert len(rows) == 23 and rows[2]["seen"] == "" and rows[1]["seen"] == "0"


def test_balls_of_today_and_of_seven_days_go_by_the_calendar(tmp_path: Path) -> None:
    """Today begins at local midnight; seven days are today and the six before; simulated balls are told apart."""
    for day in (0, 6, 7):
        journal = journal_in(tmp_path, SATURDAY - timedelta(days=day), f"run-{day}")
        who = left_hander(journal)
        write_all(journal, who, a_set(1.0), a_ball(2.0, 1), a_ball(3.0, 2), a_ball(4.0, 3, outcome="refused"))
        journal.end()
    journal = journal_in(tmp_path, SATURDAY, "run-simulated")
    write_all(journal, a_set(1.0, simulated=True), a_ball(2.0, 1))
    with reader(tmp_path) as connection:
        found = reading.loads(connection, SATURDAY + timedelta(hours=5))
    by_player = {day.player: (day.today, day.seven_days, day.simulated_today) for day in found}
    assert by_player == {"left-hander": (2, 4, 0), None: (0, 0, 1)}


def test_warning_limits_are_lower_for_juniors_and_say_who() -> None:
    """A warning comes from the limit on, not before; a junior's limits are six tenths."""
    limits = Limits(100, 500)
    load = reading.Load("left-hander", "junior", 59, 100, 0)
    assert warnings_of([load], limits) == ()
    assert "60 balls today (left-hander)" in warnings_of([reading.Load("left-hander", "junior", 60, 100, 0)], limits)[0]
    assert "seven days" in warnings_of([reading.Load(None, None, 0, 500, 0)], limits)[0]
    assert warnings_of([reading.Load(None, "club", 99, 499, 900)], limits) == ()


def test_an_hour_of_quiet_and_a_new_run_begin_another_session(tmp_path: Path) -> None:
    """Practice in the morning and in the afternoon are two sessions, and so are two runs of the daemon."""
    journal = journal_in(tmp_path)
    write_all(journal, a_set(0.0), a_ball(5.0, 1), a_set(3000.0), a_ball(3005.0, 2), a_set(7000.0), a_ball(7005.0, 3))
    other = journal_in(tmp_path, SATURDAY + timedelta(hours=2), "run-b")
    write_all(other, a_set(0.0), a_ball(5.0, 1))
    with reader(tmp_path) as connection:
        assert [session.commanded for session in reading.sessions(connection)] == [1, 1, 2]


def test_wall_clock_that_jumps_splits_no_session(tmp_path: Path) -> None:
    """A clock that is set in mid-practice, by days or back an hour, changes the times of day and nothing else."""
    clock = {"ahead_s": 0.0}
    journal = journal_in(tmp_path)
    journal._wall_of = lambda at_s: SATURDAY.timestamp() + at_s + clock["ahead_s"]
    write_all(journal, a_set(0.0), a_ball(5.0, 1))
    clock["ahead_s"] = 200_000.0
    write_all(journal, a_ball(10.0, 2))
    clock["ahead_s"] = -3_600.0
    write_all(journal, a_ball(15.0, 3))
    with reader(tmp_path) as connection:
        assert [(session.sets, session.commanded) for session in reading.sessions(connection)] == [(1, 3)]


def test_a_set_whose_beginning_was_lost_is_kept_with_its_number_alone(tmp_path: Path) -> None:
    """Balls without the notice of their set are kept; what is not known of the set is none."""
    journal = journal_in(tmp_path)
    write_all(journal, a_ball(5.0, 1, number=3))
    with reader(tmp_path) as connection:
        (found,) = reading.session(connection, 1).sets
    assert (found.number, found.drill, found.balls, found.simulated, found.commanded) == (3, None, None, None, 1)


def test_session_that_is_not_there_is_refused_with_the_way_on(tmp_path: Path) -> None:
    """A number that no session has is named, with the command that lists them."""
    practise(tmp_path)
    with reader(tmp_path) as connection, pytest.raises(Refused, match=r"no session 9.*drillfeed history"):
        reading.session(connection, 9)


def test_later_mark_of_a_set_stands_in_place_of_the_earlier(tmp_path: Path) -> None:
    """A slip of the finger is put right by marking again; both marks stay in the file."""
    practise(tmp_path)
    journal = journal_in(tmp_path, datetime(2026, 3, 8, 9, 0), "run-b")
    write_all(
        journal,
        a_set(0.0),
        *(a_ball(float(n), n) for n in range(1, 4)),
        a_mark(9.0, 1, 3, 3),
        a_mark(9.5, 1, 2, 3),
    )
    with reader(tmp_path) as connection:
        found = reading.session(connection, 2)
    assert (found.sets[0].made, len(found.marks)) == (2, 2)
