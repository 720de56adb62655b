"""A client may name any file: it is read at once or refused at once, and planning it never keeps the daemon."""

import os
import pickle
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from queue import Queue
from typing import Any

import pytest

from drillfeed.daemon.drills.players import RIGHT_HANDED
from drillfeed.daemon.library.loading import load_balls, load_drill, load_machine, read_any
from drillfeed.daemon.shell import plans
from drillfeed.daemon.shell.planner import Apart, InPlace
from drillfeed.daemon.validation import InvalidFile
from drillfeed.protocol.commands import parse
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import Reply
from drillfeed.protocol.spec import Caller
from tests.shell.test_changes_through_the_desk import Hall
from tests.support.halls import machine
from tests.support.hostile import NOT_REGULAR, TOO_MUCH, apart

HOUSE = plans.House(load_machine("hall-roll"), None, RIGHT_HANDED)
HERE = Caller("player", "player", "127.0.0.1:5", here=True)
OWNER = Caller("owner", "owner", "a socket", here=True)
ELSEWHERE = Caller("player", "player 3f2a", "192.0.2.7:5")
HANG_S = 0.6


@pytest.fixture
def planner() -> Iterator[Apart]:
    """A planner with a process of its own and little patience."""
    apart_from_here = Apart(limit_s=HANG_S)
    yield apart_from_here
    apart_from_here.close()


# Files.


@pytest.mark.parametrize("kind", [*NOT_REGULAR, *TOO_MUCH])
def test_whatever_lies_at_a_path_is_refused_by_name_in_no_time(kind: str, tmp_path: Path) -> None:
    """Pipes, devices and files made to be slow: a InvalidFile with the path, in seconds and little memory."""
    path = tmp_path / "drill.toml"
    {**NOT_REGULAR, **TOO_MUCH}[kind](path)
    for read in (load_drill, lambda name: read_any(Path(name)), load_machine):
        answer = apart(read, str(path))
        assert answer.startswith("InvalidFile: ") and str(path) in answer, answer[:300]
        assert len(answer) < 10_000


@pytest.mark.parametrize("kind", [*NOT_REGULAR, *TOO_MUCH])
def test_ball_types_are_read_with_the_same_care(kind: str, tmp_path: Path) -> None:
    """A file among the user's ball types is read for every drill."""
    (tmp_path / "balls").mkdir()
    {**NOT_REGULAR, **TOO_MUCH}[kind](tmp_path / "balls" / "own.toml")
    assert apart(load_balls, tmp_path).startswith("InvalidFile: ")


@pytest.mark.parametrize(
    "name", ["/dev/ptmx", "/dev/tty", "~nobody-of-that-name/x.toml", "a\0b.toml", "x" * 300 + "/y"]
)
def test_strange_paths_are_refused_as_files_are(name: str) -> None:
    """A path that no file can have raises no error of the system's own."""
    assert apart(load_drill, name).startswith(("InvalidFile: ", "NoFile: "))


def test_a_file_that_is_as_large_as_allowed_is_read() -> None:
    """The bounds refuse no drill that a person would write: the shipped ones are a fiftieth of them."""
    for name in ("mixed-spin", "short-then-long"):
        assert load_drill(name).name == name


def test_brackets_in_strings_and_comments_count_for_nothing(tmp_path: Path) -> None:
    """A title may hold whatever it likes."""
    odd = "[" * 60 + " a.b.c.d.e.f.g.h.i.j.k.l.m.n.o.p.q.r.s.t"
    path = tmp_path / "drill.toml"
    lines = ['name = "odd"', f"title = '{odd}' # {odd * 9}", f'trains = """\n{odd}\\"\n"""', 'level = "club"']
    lines += ["tempo_per_min = 30", "[[set]]", "balls = 2", 'sequence = { kind = "fixed", balls = ["light-push"] }']
    path.write_text("\n".join(lines))
    assert load_drill(str(path)).title == odd


# The planner.


WITHOUT_END = (sum, range(10**13))
"""Work that holds its interpreter's lock all the time, as a planner that hangs may do."""


@pytest.mark.parametrize(
    "work",
    [WITHOUT_END, (time.sleep, 60.0), (bytes, 2_000_000_000), (os._exit, 3), (pow, 10**6, 10**7)],
    ids=["turns", "sleeps", "eats", "dies", "counts"],
)
def test_work_that_comes_to_no_end_is_given_up_and_the_next_is_done(work: tuple[Any, ...], planner: Apart) -> None:
    """Too long, too much memory, a process that ends: refused with a next step; after it a plan is made as ever."""
    with pytest.raises(Refused) as caught:
        planner.ask(*work)
    assert caught.value.code.name == "bounds" and "Next: " in str(caught.value)
    planner._limit_s = 20.0
    assert planner.ask(plans.drill_plan, HOUSE, "mixed-spin", 1, 12, 0).balls == 12


def test_a_mistake_of_ours_is_told_as_one_and_ends_nothing() -> None:
    """An exception that no plan raises is none of the client's; the process goes on."""
    other = Apart()
    try:
        with pytest.raises(RuntimeError, match="ValueError"):
            other.ask(int, "no number")
        assert other.ask(abs, -2) == 2
    finally:
        other.close()


def test_the_end_waits_for_no_planner() -> None:
    """Closed in the middle of work that hangs: whoever asked is refused at once, and nothing of it lives on."""
    patient, answers = Apart(limit_s=60.0), Queue[str]()

    def ask() -> None:
        try:
            patient.ask(*WITHOUT_END)
        except Refused as refused:
            answers.put(refused.code.name)

    thread = threading.Thread(target=ask)
    patient.start()
    process = patient._process
    thread.start()
    while not patient._ready:
        time.sleep(0.01)
    began_s = time.monotonic()
    patient.close()
    assert answers.get(timeout=5.0) == "bounds"
    thread.join(5.0)
    assert time.monotonic() - began_s < 2.0
    assert process is not None and process.poll() is not None
    with pytest.raises(Refused, match="shutting down"):
        patient.ask(*WITHOUT_END)


def test_a_planner_outlives_no_daemon() -> None:
    """A daemon that is killed in the middle of a plan leaves no process behind that goes on for ever."""
    code = (
        "import os, signal; from drillfeed.daemon.shell.planner import Apart\n"
        "p = Apart(); p.start(); print(p._process.pid, flush=True); os.kill(os.getpid(), signal.SIGKILL)"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=30)
    pid, end_s = int(ended.stdout), time.monotonic() + 20.0
    while Path(f"/proc/{pid}").exists() and "Z" not in Path(f"/proc/{pid}/stat").read_text().split()[2]:
        assert time.monotonic() < end_s
        time.sleep(0.05)


@pytest.mark.parametrize(
    ("work", "given"),
    [
        (plans.drill_plan, ("mixed-spin", 7, 120, 0)),
        (plans.drill_plan, ("middle-then-a-wing", 3, None, 0)),
        (plans.one_ball_plan, ("light-push to backhand", 0)),
        (plans.listed, ("balls",)),
        (plans.ball_types, ()),
    ],
    ids=["random", "sides", "one-ball", "list", "balls"],
)
def test_a_plan_is_the_same_in_whatever_process(work: object, given: tuple[object, ...]) -> None:
    """Same drill, seed and machine, same plan: made here, and apart under another seed of Python's hashes."""
    other = Apart()
    try:
        here = InPlace().ask(work, HOUSE, *given)  # type: ignore[arg-type]
        there = other.ask(work, HOUSE, *given)  # type: ignore[arg-type]
        assert here == there and repr(here) == repr(there)
        assert pickle.loads(pickle.dumps(here)) == here
    finally:
        other.close()


def test_mistakes_come_back_whole(planner: Apart, tmp_path: Path) -> None:
    """What the file is refused for crosses from the planner's process with every mistake in it."""
    path = tmp_path / "drill.toml"
    path.write_text('name = "Bad Name"\nset = []\n')
    caught = []
    for either in (InPlace(), Apart()):
        with pytest.raises(InvalidFile) as refused:
            either.ask(plans.drill_plan, HOUSE, str(path), 1, None, 0)
        caught.append(refused.value.errors)
        either.close()
    assert caught[0] == caught[1] and len(caught[0]) > 2


def test_a_system_that_starts_no_planner_keeps_no_daemon_down(monkeypatch: pytest.MonkeyPatch) -> None:
    """Short of processes or memory the daemon goes on; a plan is refused, and made once there is room."""
    short = Apart()
    with monkeypatch.context() as system:
        system.setattr(sys, "executable", "/nowhere/python")
        short.start()
        with pytest.raises(Refused, match="starts no planner"):
            short.ask(abs, -2)
    assert short.ask(abs, -2) == 2
    short.close()


# Who may name a path, and what a stranger learns.


def ask(caller: Caller, line: str, hall: Hall) -> Reply:
    """Give a line in somebody's name."""
    answer: Queue[Reply] = Queue()
    hall.desk.submit(parse(line), caller, answer.put)
    return answer.get(timeout=20.0)


@pytest.fixture(scope="module")
def hall() -> Hall:
    return Hall()


@pytest.fixture
def paths(tmp_path: Path) -> list[str]:
    """What a stranger might ask after: no file, a pipe, words, a TOML file that is no drill, and one that is."""
    os.mkfifo(tmp_path / "pipe.toml")
    (tmp_path / "words").write_text("secret words\n")
    (tmp_path / "other.toml").write_text('[tool]\nkey = "secret"\n')
    (tmp_path / "shut.toml").write_text("")
    return [str(tmp_path / name) for name in ("none.toml", "pipe.toml", "words", "other.toml", "shut.toml")]


def test_from_elsewhere_a_path_is_refused_unread(hall: Hall, paths: list[str]) -> None:
    """Whether a path exists, or holds a drill, the answer is the same; a name of the library is taken."""
    drill = str(Path("daemon/library/drills/mixed-spin.toml").absolute())
    answers = {ask(ELSEWHERE, f'load "{path}"', hall).text for path in (*paths, drill, "x.toml", "../x", "~/x")}
    assert len(answers) == 1
    reply = ask(ELSEWHERE, f'load "{paths[0]}"', hall)
    assert reply.code is not None and reply.code.name == "not-allowed" and "list drills" in reply.text
    assert ask(ELSEWHERE, "load mixed-spin", hall).ok


def test_at_the_machine_a_path_is_taken_and_tells_only_its_owner_what_lies_there(hall: Hall, paths: list[str]) -> None:
    """A player on loopback, which is any user of the computer, learns of no path whether something is there."""
    assert ask(HERE, f'load "{Path("daemon/library/drills/mixed-spin.toml").absolute()}"', hall).ok
    answers = {ask(HERE, f'load "{path}"', hall).text.replace(path, "PATH") for path in paths}
    assert len(answers) == 1 and "secret" not in answers.pop()
    assert "a pipe" in ask(OWNER, f'load "{paths[1]}"', hall).text
    assert "No such file" in ask(OWNER, f'load "{paths[0]}"', hall).text


def test_mistakes_in_a_drill_are_told_to_whoever_may_load_it(hall: Hall, tmp_path: Path) -> None:
    """A drill with a mistake is named by key, to a player as well: they are at the machine to mend it."""
    path = tmp_path / "mine.toml"
    path.write_text(Path("daemon/library/drills/mixed-spin.toml").read_text().replace("tempo_per_min", "tempo", 1))
    assert "tempo" in ask(HERE, f'load "{path}"', hall).text


def test_a_folder_of_the_house_is_not_shown_to_those_elsewhere(tmp_path: Path) -> None:
    """A broken drill of the library is named by its file's name alone."""
    (tmp_path / "mine.toml").write_text("[[set]]\n")
    hall = Hall(drills=tmp_path)
    for line in ("load mine", "list drills"):
        reply = ask(ELSEWHERE, line, hall)
        told = " ".join([reply.text, *reply.data])
        assert "mine.toml" in told and str(tmp_path) not in told
    assert machine("club-build").name == "club-build"
