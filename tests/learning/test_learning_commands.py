"""The sub-commands plan, report, export and players on a season in a journal."""

import contextlib
import csv
import json
import re
import sqlite3
from datetime import datetime
from pathlib import Path

import pytest

from drillfeed.daemon.cli import main
from drillfeed.daemon.journal.exporting import COLUMNS
from drillfeed.daemon.journal.knowledge import Knowledge
from drillfeed.daemon.journal.players import add_player
from drillfeed.daemon.journal.practice import Part, PracticeSet, WholeMark, read_practice
from drillfeed.daemon.journal.schema import open_to_read, open_to_write
from drillfeed.daemon.learning.page import weeks_lines, weeks_page
from drillfeed.daemon.learning.pictures import whole_svg
from drillfeed.daemon.learning.report import session_lines
from drillfeed.daemon.library.loading import load_drill
from tests.learning.journal_seasons import BEGAN, write_season

PLAYER = "left-hander"
DAY = "2026-03-15"
NOT_SAID = (
    "improved", "accuracy", "landing", "ready for", "risk", "optimal", "better than", "worse than", "grade", "streak",
    "score", "well done", "rank",
)  # fmt: skip


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal with ten weeks of practice."""
    path = tmp_path_factory.mktemp("season") / "journal.sqlite"
    write_season(path, weeks=10)
    return path


def run(season: Path, *arguments: str, day: str = DAY) -> int:
    name, *rest = arguments
    return main([name, *rest, "--player", PLAYER, "--journal", str(season), "--day", day])


def test_report_of_a_session_has_twelve_lines(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of 80 columns at most; each share with its interval and its number of balls."""
    assert run(season, "report", "--session", "last") == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= 12 and max(map(len, lines)) <= 80
    assert lines[0].startswith("session 20, 2026-03-12: 120 balls")
    check_words("\n".join(lines))


def check_words(text: str) -> None:
    """No word that claims more than marks tell, no decimals of a percent, no share without interval and number."""
    for word in NOT_SAID:
        assert word not in text.lower(), word
    assert not re.search(r"\d\.\d+ ?%", text)
    for line in text.splitlines():
        is_scale = re.match(r"^ *\d+ %( [ :=o.]*)?$", line)
        if re.search(r"\d %", line) and not is_scale and "Bands" not in line:
            assert re.search(r"marked|balls you|as marked", line), line


def test_report_of_weeks_in_characters(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each type with its band, what changed, the tempo, random against fixed, and how to read it."""
    assert run(season, "report") == 0
    text = capsys.readouterr().out
    for words in ("likely between", "three in four at:", "balls random", "a column a week", "100 %", "  0 %"):
        assert words in text
    check_words(text)


def test_report_page_stands_alone(season: Path, tmp_path: Path) -> None:
    """One HTML file without a script and without anything from elsewhere; a picture for each type."""
    out, svg = tmp_path / "report.html", tmp_path / "weeks.svg"
    assert run(season, "report", "--out", str(out), "--svg", str(svg)) == 0
    page = out.read_text("utf-8")
    assert not re.search(r"(src|href)=|url\(|@import|<script", page)
    assert set(re.findall(r"https?://[^\"' ]+", page)) == {"http://www.w3.org/2000/svg"}
    assert page.count("<section>") == page.count("</section>") == page.count("<svg")
    assert page.count("<polygon") == 2 * 6
    check_words(re.sub(r"<[^>]+>", "\n", re.sub(r"<style>.*?</style>|<svg.*?</svg>", "", page, flags=re.DOTALL)))
    assert svg.read_text("utf-8").startswith("<svg xmlns")


def test_weeks_without_a_mark_are_dashed_and_never_joined(season: Path) -> None:
    """Four weeks without practice: the line is dashed there, and the band grows."""
    known = Knowledge(practice(season), datetime(2026, 4, 12).date())
    figures = known.weeks(PLAYER)
    assert weeks_page(figures).count("stroke-dasharray") >= 4 * len(figures.types)
    widths = known.trend.high_90 - known.trend.low_90
    assert (widths[-1] > widths[-5]).all()


def practice(path: Path, player_id: int | None = 1) -> tuple[PracticeSet, ...]:
    with contextlib.closing(open_to_read(path)) as connection:
        return read_practice(connection, player_id)


def test_plan_equals_the_rehearsal_of_the_drill_it_saves(
    season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its time is that of `rehearse` and the rests, to 0.1 s; balls and level are kept; asked again, it is the same."""
    arguments = ("plan", "25", "--balls", "220", "--json", "--save", "today", "--drills", str(tmp_path))
    assert run(season, *arguments) == 0
    first = json.loads(capsys.readouterr().out)
    assert run(season, *arguments) == 0
    assert json.loads(capsys.readouterr().out) == first
    drill = load_drill("today", tmp_path)
    assert drill.balls == first["balls"] <= 220
    assert max(part.balls for part in drill.set) <= 40
    assert drill.set[0].warm_up and sum(part.check_set for part in drill.set) == 1
    assert main(["rehearse", "today", "--drills", str(tmp_path), "--level", "club", "--hand", "left", "--json"]) == 0
    summary = json.loads(capsys.readouterr().out.splitlines()[-1])["summary"]
    rests = sum(part["rest_before_s"] for part in first["sets"])
    assert first["total_s"] == pytest.approx(drill.start_delay_s + summary["last_release_s"] + rests, abs=0.1)


def test_plan_tells_its_reasons_and_its_bound(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In words, with figures; what is left to the day's warning counts as a bound."""
    assert run(season, "plan", "30", "--balls", "120") == 0
    text = capsys.readouterr().out
    assert "bound by the balls you gave: 120 balls" in text
    assert "in about" in text and "warm-up:" in text
    check_words(text)
    assert run(season, "plan", "90", "--balls", "1000", "--hopper", "90") == 0
    assert "bound by the hopper: 90 balls" in capsys.readouterr().out
    assert run(season, "plan", "120", "--balls", "1000", day="2026-03-12") == 0
    assert "bound by what is left to the day's warning: 480 balls" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (["plan", "30", "--balls", "5"], "the shortest session has"),
        (["plan", "30", "--balls", "100", "--focus", "heavy-push=9"], "W from 0 to 3"),
        (["report", "--session", "99"], "no session 99"),
        (["export", "--out", ".", "--since", "yesterday"], "YYYY-MM-DD"),
        (["export", "--out", "."], "holds no earlier export"),
    ],
)
def test_what_can_not_be_done_is_named(
    season: Path, arguments: list[str], why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 2 with the reason."""
    assert run(season, *arguments) == 2
    assert why in capsys.readouterr().err


def test_new_player_has_a_plan_and_no_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is known, so the easiest types are tried; a report says that there is no practice yet."""
    path = tmp_path / "journal.sqlite"
    with contextlib.closing(open_to_write(path)) as connection:
        add_player(connection, "young-one", "right", "junior", 0.0)
    asked = ["--player", "young-one", "--journal", str(path)]
    assert main(["plan", "15", "--balls", "100", *asked]) == 0
    text = capsys.readouterr().out
    assert "never marked so far" in text and "check set" not in text
    assert main(["report", *asked]) == 2
    assert "no practice of player-1" in capsys.readouterr().err


def figure(text: str) -> float | None:
    return float(text) if text else None


def rows(folder: Path, table: str) -> list[dict[str, str]]:
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def practice_from(folder: Path) -> tuple[PracticeSet, ...]:
    """Make the sets of a practice from exported tables alone, as somebody else's program would."""
    throws = [row for row in rows(folder, "balls") if row["commanded"] == "1" and row["seen"] != "0"]
    sessions = {row["set"]: row["session"] for row in rows(folder, "sets")}
    so_far: dict[str, int] = {}
    cells: dict[str, dict[str, list[tuple[float, float, str]]]] = {}
    last: tuple[str, float] = ("", 0.0)
    for row in throws:
        spin, session = figure(row["spin_revps"]) or 0.0, sessions[row["set"]]
        turn = abs(spin - last[1]) if last[0] == row["set"] else 0.0
        cells.setdefault(row["set"], {}).setdefault(row["ball"], []).append((turn, so_far.get(session, 0), row["made"]))
        so_far[session] = so_far.get(session, 0) + 1
        last = row["set"], spin
    marks: dict[str, list[WholeMark]] = {}
    for row in rows(folder, "marks"):
        if not row["n"]:
            mark = WholeMark(int(row["made"]), int(row["out_of"]), row["marked_by"], row["way"], 0.0)
            marks.setdefault(row["set"], []).append(mark)
    found = []
    for row in rows(folder, "sets"):
        parts = tuple(
            Part(
                ball,
                len(some),
                sum(made == "1" for _, _, made in some),
                sum(made != "" for _, _, made in some),
                sum(turn for turn, _, _ in some) / len(some),
                sum(before for _, before, _ in some) / len(some),
            )
            for ball, some in cells.get(row["set"], {}).items()
        )
        found.append(
            PracticeSet(
                int(row["set"]), int(row["session"]), row["drill"], row["title"], row["level"],
                datetime.fromisoformat(row["began_at"]).timestamp(), figure(row["tempo_per_min"]), row["sequence_kind"],
                None, row["warm_up"] == "1", row["check_set"] == "1", None, None, parts,
                tuple(marks.get(row["set"], ())),
            )
        )  # fmt: skip
    return tuple(found)


@pytest.mark.parametrize("level", ["club", "junior"])
def test_exported_tables_give_the_same_estimates(season: Path, tmp_path: Path, level: str) -> None:
    """To 1e-9, of a junior too, whose times are cut to the week."""
    path = tmp_path / "journal.sqlite"
    path.write_bytes(season.read_bytes())
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE players SET level = ?", (level,))
        connection.commit()
    assert run(path, "export", "--out", str(tmp_path / "out")) == 0
    known = Knowledge(practice_from(tmp_path / "out"), datetime.fromisoformat(DAY).date())
    told = rows(tmp_path / "out", "estimates")
    assert len(told) > 50
    for row in told:
        place = known.types.index(row["ball"])
        week = (datetime.fromisoformat(row["week"]).toordinal() - 1) // 7 - known.first
        for name, figures in (("made_share", known.trend.share), ("low_90", known.trend.low_90)):
            assert float(row[name]) == pytest.approx(figures[week, place], abs=1e-9)


def test_export_describes_every_column_and_names_nobody(season: Path, tmp_path: Path) -> None:
    """The description lists the columns in their order; the name is a number unless it was asked for."""
    out = tmp_path / "out"
    assert run(season, "export", "--out", str(out)) == 0
    package = json.loads((out / "datapackage.json").read_text("utf-8"))
    for part in package["resources"]:
        with (out / part["path"]).open(encoding="utf-8", newline="") as file:
            head = next(csv.reader(file))
        assert head == [column["name"] for column in part["schema"]["fields"]] == list(COLUMNS[part["name"]])
    assert not any(PLAYER in file.read_text("utf-8") for file in out.iterdir())
    assert {file.stat().st_mode & 0o077 for file in (out, *out.iterdir())} == {0}
    assert run(season, "export", "--out", str(out), "--names", "--form", "json") == 0
    assert json.loads((out / "sets.json").read_text("utf-8"))[0]["player"] == PLAYER


def test_day_of_a_junior_stays_at_home(season: Path, tmp_path: Path) -> None:
    """Nothing finer than the week, and no name, unless --names is typed."""
    path = tmp_path / "journal.sqlite"
    path.write_bytes(season.read_bytes())
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE players SET level = 'junior'")
        connection.commit()
    assert run(path, "export", "--out", str(tmp_path / "out")) == 0
    days = {
        datetime.fromisoformat(day).weekday()
        for file in (tmp_path / "out").glob("*.csv")
        for day in re.findall(r"20\d\d-\d\d-\d\d", file.read_text("utf-8"))
    }
    assert days == {0}
    assert run(path, "report", "--out", str(tmp_path / "page.html")) == 0
    page = (tmp_path / "page.html").read_text("utf-8")
    assert PLAYER not in page and "Practice of player-1" in page


def test_forgotten_name_leaves_no_byte(season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Neither in the journal nor beside it; the sets stay; copies that can't be reached are named."""
    path = tmp_path / "journal.sqlite"
    path.write_bytes(season.read_bytes())
    (tmp_path / "journal.damaged-2026.sqlite").touch()
    with contextlib.closing(open_to_write(path)) as connection:
        connection.execute(
            "INSERT INTO commands (session_id, at, line, role, caller, came_from) "
            "VALUES (1, 0, 'players choose Left-Hander', 'player', 'local', 'here')"
        )
        connection.execute(
            "INSERT INTO faults (session_id, at, cause, recent) VALUES (1, 0, 'jam', 'left-hander plays')"
        )
    before = len(practice(path))
    assert main(["players", "forget", "LEFT-hander", "--yes", "--journal", str(path)]) == 0
    assert "journal.damaged-2026.sqlite" in capsys.readouterr().out
    for file in tmp_path.glob("journal.sqlite*"):
        assert PLAYER.encode() not in file.read_bytes().lower(), file.name
    assert len(practice(path, None)) == before
    assert main(["players", "list", "--journal", str(path)]) == 0
    assert capsys.readouterr().out == ""
    assert main(["players", "forget", PLAYER, "--yes", "--journal", str(path)]) == 2


def test_name_in_use_by_a_daemon_is_said_to_be_there_still(
    season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """While another program reads the file, the newest changes can't be cut; it says what to do."""
    path = tmp_path / "journal.sqlite"
    path.write_bytes(season.read_bytes())
    open_to_write(path).close()
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM throws").fetchone()
        assert main(["players", "forget", PLAYER, "--yes", "--journal", str(path)]) == 2
        assert "stop the daemon, then try again" in capsys.readouterr().err


def test_journal_that_knows_nothing_gives_blanks(season: Path, tmp_path: Path) -> None:
    """NULL everywhere it may be: no crash, no 0, no mark."""
    path = tmp_path / "journal.sqlite"
    path.write_bytes(season.read_bytes())
    with contextlib.closing(sqlite3.connect(path)) as connection:
        blank = "drill title level tempo_per_min sequence_kind rung warm_up check_set rest_s balls asked_per_min seed"
        connection.execute(f"UPDATE sets SET {', '.join(f'{name} = NULL' for name in blank.split())}, simulated = NULL")
        connection.execute("UPDATE throws SET seen = NULL, made = NULL, spin_revps = NULL")
        connection.execute("DELETE FROM marks")
        connection.commit()
    known = Knowledge(practice(path), datetime.fromisoformat(DAY).date())
    assert set(known.marked.values()) == {0}
    figures = known.session(20)
    assert (figures.made, figures.marked_sets) == (None, 0)
    text = "\n".join([*session_lines(figures), *weeks_lines(known.weeks(PLAYER))])
    assert "not known yet (none marked)" in text and "None" not in text and "nan" not in text
    assert "nan" not in weeks_page(known.weeks(PLAYER)) + whole_svg(known.weeks(PLAYER))


def test_unmarked_sets_change_nothing(season: Path) -> None:
    """A season with and without its unmarked sets has the same estimates."""
    sets = practice(season)
    marked = tuple(some for some in sets if some.made_of is not None)
    day = datetime.fromisoformat(DAY).date()
    assert len(marked) < len(sets)
    whole, part = Knowledge(sets, day), Knowledge(marked, day)
    for ball, estimate in part.estimates.items():
        of_whole = whole.estimates[ball]
        assert (of_whole.level, of_whole.level_sd) == pytest.approx((estimate.level, estimate.level_sd), abs=1e-9)


def test_changes_without_two_windows_are_not_told() -> None:
    """A practice of one day has no trend to speak of."""
    known = Knowledge((), BEGAN.date())
    assert known.changes(4) == ()
    assert known.check_set() is None and known.rest_s == 45.0


@pytest.mark.parametrize("machine", ["kit-build", "shed-build", "hall-roll"])
def test_plan_mixes_only_what_the_machine_mixes(
    season: Path, machine: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Slow wheels leave sets of fewer types, or of one; there is a plan on every machine, and it can be rehearsed."""
    asked = ("plan", "20", "--balls", "150", "--machine", machine, "--save", "today", "--drills", str(tmp_path))
    assert run(season, *asked) == 0
    assert "set 1: " in capsys.readouterr().out
    assert main(["rehearse", "today", "--drills", str(tmp_path), "--machine", machine, "--json"]) == 0
