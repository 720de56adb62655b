"""Whatever lies in the place of a file at the start: it is named, and the daemon comes up or says why not."""

import contextlib
import io
import json
import os
import sqlite3
from collections.abc import Mapping
from pathlib import Path

import pytest

from drillfeed.daemon import app
from drillfeed.daemon.cli import main
from drillfeed.daemon.config import host_port, read_config, state_folder
from drillfeed.daemon.journal.last_throws import HEAD, SIZE, SLOT_BYTES, LastThrows
from drillfeed.daemon.journal.schema import APPLICATION_ID, VERSION, open_to_write
from drillfeed.daemon.journal.steps import STEPS
from drillfeed.daemon.library.loading import find, load_machine
from drillfeed.daemon.shell.instance_lock import InstanceLock
from tests.support.hostile import NOT_REGULAR, TOO_MUCH, Make, apart

NOBODY = 65534
ROWS = [{"client": "3f2a", "role": "coach", "since": 1, "salt": "0" * 32, "digest": "0" * 64}]


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The state folder of a daemon that ran here before, and left nothing."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    folder = tmp_path / "drillfeed"
    folder.mkdir(mode=0o700)
    return folder


def come_up(config: Path | None = None, machine: str = "club-build") -> list[str]:
    """Come up as `drillfeed serve` does, up to the sockets; return what the status then warns of."""
    settings = read_config(config, {"machine": machine})
    profile, folder = load_machine(settings.machine), state_folder()
    host_port(settings.listen)
    app._make_private(folder)
    with InstanceLock(folder, profile.name):
        daemon = app.Daemon(settings, profile)
        daemon.journal.turn()
        practice = daemon.desk.practice
        assert practice is not None and not daemon.server.pairings.clients
        assert practice.machine.trims == profile.trims
        return list(practice.warnings())


def text(what: str) -> Make:
    """Make a file of some text."""
    return lambda path: path.write_text(what, encoding="utf-8")


def paired(**changed: object) -> Make:
    """Make a file of paired clients with one field changed."""
    return text(json.dumps([{**ROWS[0], **changed}]))


def journal(*statements: str, steps: int = VERSION, version: int = VERSION) -> Make:
    """Make a journal by hand, as far as some steps, then change it."""

    def make(path: Path) -> None:
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
            for step in STEPS[:steps]:
                connection.executescript(step)
            for statement in (f"PRAGMA application_id = {APPLICATION_ID}", f"PRAGMA user_version = {version}"):
                connection.execute(statement)
            for statement in statements:
                connection.execute(statement)

    return make


def given_away(make: Make) -> Make:
    """Make a file and give it to another user."""

    def make_and_give(path: Path) -> None:
        if os.geteuid() != 0:
            pytest.skip("only root can give a file away")
        make(path)
        os.chown(path, NOBODY, NOBODY)

    return make_and_give


PLAYER = "INSERT INTO players (name, hand, level, added_at, elbow_cm) VALUES ('x', 'left', 'club', 0, {})"
FIELDS: Mapping[str, Mapping[str, Make]] = {
    "paired.json": {
        "no-list": text("{}"),
        "numbers": text("[1, 2]"),
        "a-key-too-many": paired(secret="x"),
        "role": paired(role="owner"),
        "client-of-another-kind": paired(client=5),
        "since-no-year": paired(since=10**15),
        "since-a-word": paired(since="x"),
        "since-nan": text('[{"since": NaN}]'),
        "salt": paired(salt="zz" * 16),
        "digest-no-ascii": paired(digest="é" * 64),
        "too-many": text(json.dumps(ROWS * 1000)),
        "other-owner": given_away(text(json.dumps(ROWS))),
    },
    "club-build.trim.toml": {
        "too-far": text('[[trim]]\nball = "light-push"\nlong_cm = 999\n'),
        "nan": text('[[trim]]\nball = "light-push"\nlong_cm = nan\n'),
        "strange-key": text("trims = 1"),
        "other-owner": given_away(text('[[trim]]\nball = "light-push"\nlong_cm = 9\n')),
    },
    "cautions-accepted": {
        "no-text": lambda path: path.write_bytes(b"\xff\xfeclub-build"),
        "other-owner": given_away(text("club-build\n")),
    },
    "journal.sqlite": {
        "no-database": text("words\n" * 1000),
        "no-tables": journal(steps=0),
        "a-version-too-few": journal(version=1),
        "a-version-below-none": journal(version=-3),
        "a-column-missing": journal("ALTER TABLE throws DROP COLUMN late_ms"),
        "a-table-in-quotes": journal('CREATE TABLE "odd"" name" (a)', "DROP TABLE marks"),
        "elbow-a-word": journal(PLAYER.format("'far'")),
        "elbow-far-off": journal(PLAYER.format("1e300")),
        "level-unknown": journal(
            "PRAGMA ignore_check_constraints = 1", PLAYER.format("1").replace("'club'", "'giant'")
        ),
        "other-owner": given_away(journal()),
    },
    "journal.sqlite-wal": {},
}
"""What may be wrong inside each file of the state folder."""
SLOW = {key: TOO_MUCH[key] for key in ("digits-of-200-kB", "dotted-key-of-400-kB", "brackets", "bytes", "strange-keys")}
NOT_ONE_OF_OURS = dict.fromkeys(("paired.json", "club-build.trim.toml"), SLOW)
SPARED = {("journal.sqlite", "a-folder"), ("journal.sqlite-wal", "a-folder")}
"""A folder in the journal's place is left alone: what is not recorded is told instead (the fault table has it)."""
STATE_FILES: list[tuple[str, str, Make]] = [
    (name, kind, make)
    for name in FIELDS
    for kind, make in {**NOT_REGULAR, **FIELDS[name], **NOT_ONE_OF_OURS.get(name, {})}.items()
    if (name, kind) not in SPARED
]


@pytest.mark.parametrize(("name", "kind", "make"), STATE_FILES, ids=[f"{kind[0]}-{kind[1]}" for kind in STATE_FILES])
def test_a_file_of_the_state_folder_is_named_and_set_aside(name: str, kind: str, make: Make, state: Path) -> None:
    """The daemon comes up without it and says so; what lay there lies beside, whole; the next start says nothing."""
    make(state / name)
    before = (state / name).lstat()
    told = apart(come_up)
    assert told.startswith("[") and told.count(name) >= 1, told[:300]
    asides = [path for path in state.iterdir() if path.name.startswith((f"{name}.unusable-", f"{name}.damaged-"))]
    assert [path.lstat().st_ino for path in asides] == [before.st_ino]
    assert asides[0].name in told or "journal" in name
    assert apart(come_up) == "[]"


@pytest.mark.parametrize("kind", NOT_REGULAR)
def test_the_lock_is_taken_whatever_lies_there(kind: str, state: Path) -> None:
    """One daemon comes up, and another beside it is refused, not left waiting."""
    NOT_REGULAR[kind](state / "club-build.lock")
    assert apart(come_up) == "[]"
    with InstanceLock(state, "club-build"):
        assert apart(come_up).startswith("AlreadyRunning")


@pytest.mark.parametrize("kind", ["a-pipe", "a-folder", "a-link-to-itself"])
@pytest.mark.parametrize("name", ["paired", "club-build.trim", "cautions-accepted"])
def test_what_lies_in_the_way_of_a_writing_keeps_nobody_waiting(name: str, kind: str, state: Path) -> None:
    """A file is written beside and then moved: a pipe in that place, as a trap, is no hindrance."""
    from drillfeed.daemon.files import write_whole

    NOT_REGULAR[kind](state / f"{name}.new")
    answer = apart(write_whole, state / f"{name}.json", "text")
    assert answer == "None" if kind != "a-folder" else answer.startswith(("IsADirectoryError", "PermissionError"))


# The state folder itself.


@pytest.mark.parametrize("mode", [0o755, 0o777, 0o500, None], ids=["read", "written", "shut", "none"])
def test_the_state_folder_is_its_owners_alone(mode: int | None, state: Path) -> None:
    """Made, or found open to others: from the start on 0700, and so are the files in it 0600."""
    if mode is None:
        state.rmdir()
    else:
        state.chmod(mode)
    assert apart(come_up) == "[]"
    assert state.stat().st_mode & 0o7777 == 0o700
    assert (state / "journal.sqlite").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("kind", [kind for kind in NOT_REGULAR if kind != "a-folder"])
def test_what_is_no_state_folder_is_named_in_one_line(kind: str, state: Path) -> None:
    """Something else in its place: why not, in a line that names it."""
    state.rmdir()
    NOT_REGULAR[kind](state)
    told = apart(come_up)
    assert told.startswith("InvalidFile: ") and str(state) in told and "\n" not in told


# Files of the user's: nothing is moved, the daemon says why not.

PROFILE = find("machines", "club-build").read_text("utf-8")
KIT = find("machines", "kit-build").read_text("utf-8")
LEARNT = """machine = "club-build"
made_on = "2026-03-07"
balls = 25
[values]
top_slope = 1.0
top_offset_mps = 0.0
bottom_slope = 1.0
bottom_offset_mps = 0.0
tilt_zero_deg = 0.0
drag = 0.4
[deviations]
top_slope = 0.01
top_offset_mps = 0.01
bottom_slope = 0.01
bottom_offset_mps = 0.01
tilt_zero_deg = 0.01
drag = 0.01
"""


def learnt(old: str, new: str) -> Make:
    """Make a calibration with one thing changed."""
    assert old in LEARNT
    return text(LEARNT.replace(old, new, 1))


USERS: Mapping[str, Mapping[str, Make]] = {
    "config.toml": {
        "port-of-5000-digits": text(f'listen = "127.0.0.1:{"9" * 5000}"'),
        "port-too-high": text('listen = "127.0.0.1:99999"'),
        "no-host": text('listen = "\\u0000:1"'),
        "nul-in-a-path": text('socket = "a\\u0000b"'),
        "nul-in-the-journal": text('journal = "a\\u0000b"'),
        "journal-of-nobody": text('journal = "~nobody-of-that-name/j"'),
        "drills-of-nobody": text('drills = "~nobody-of-that-name/d"'),
        "link": text('link = "udp://127.0.0.1:1"'),
        "balls-below-none": text("day_balls = -1"),
        "players-a-word": text('players = "all"'),
        "player-of-no-level": text("[players.giant]\nmax_mps = 5"),
        "caps-nan": text("[players.junior]\nmax_mps = nan"),
        "caps-a-table": text("[players.junior.max_mps]\na = 1"),
    },
    "own.toml": {
        "half": text(PROFILE[: len(PROFILE) // 2]),
        "coasts-in-no-time": text(KIT.replace("coast_time_constant_s = ", "coast_time_constant_s = 1e-300 # ")),
        "wheels-a-word": text(PROFILE.replace("[wheels]", "[wheel]", 1)),
        "wheels-a-list": text('name = "own"\nwheels = [1]'),
        "top-a-word": text('name = "own"\n[wheels]\ntop = "x"'),
    },
    "own.calibration.toml": {
        "no-such-day": learnt("2026-03-07", "2026-99-99"),
        "a-day-of-old": learnt("2026-03-07", "0001-01-01"),
        "slope-huge": learnt("top_slope = 1.0", "top_slope = 1e300"),
        "offset-huge": learnt("top_offset_mps = 0.0", "top_offset_mps = -1e300"),
        "tilt-huge": learnt("tilt_zero_deg = 0.0", "tilt_zero_deg = 1e9"),
        "drag-below-none": learnt("drag = 0.4", "drag = -1"),
        "nan": learnt("drag = 0.4", "drag = nan"),
        "deviation-inf": learnt("drag = 0.01", "drag = inf"),
        "another-machine": learnt("club-build", "kit-build"),
        "a-table-missing": text(LEARNT.split("[deviations]")[0]),
    },
    "own.trim.toml": {"too-far": text('[[trim]]\nball = "light-push"\nlong_cm = 41\n'), "a-word": text('trim = "x"')},
}
BY_HAND: list[tuple[str, str, Make]] = [
    (name, kind, make) for name in USERS for kind, make in {**NOT_REGULAR, **SLOW, **USERS[name]}.items()
]


@pytest.mark.parametrize(("name", "kind", "make"), BY_HAND, ids=[f"{kind[0]}-{kind[1]}" for kind in BY_HAND])
def test_a_file_of_the_users_is_named_and_nothing_is_guessed(
    name: str, kind: str, make: Make, state: Path, tmp_path: Path
) -> None:
    """Configuration, profile, calibration, trim: the daemon says which file, and what is wrong; it moves none."""
    own = tmp_path / "own.toml"
    own.write_text(PROFILE)
    (tmp_path / name).unlink(missing_ok=True)
    make(tmp_path / name)
    told = apart(come_up, tmp_path / name if name == "config.toml" else None, str(own))
    where = (
        ("configuration", "no such user") if kind in ("port-too-high", "journal-of-nobody", "drills-of-nobody") else ()
    )
    assert told.startswith("InvalidFile: ") and any(word in told for word in (name, *where)), told[:300]
    assert os.path.lexists(tmp_path / name) and len(told) < 12_000


def test_the_files_that_these_tests_spoil_are_good_ones(state: Path, tmp_path: Path) -> None:
    """Unspoilt, each of them is taken."""
    (tmp_path / "own.toml").write_text(PROFILE)
    (tmp_path / "own.calibration.toml").write_text(LEARNT)
    (tmp_path / "own.trim.toml").write_text('[[trim]]\nball = "light-push"\nlong_cm = 9\n')
    (tmp_path / "config.toml").write_text('listen = "127.0.0.1:0"\n[players.junior]\nmax_mps = 5\n')
    assert apart(come_up, tmp_path / "config.toml", str(tmp_path / "own.toml")) == "[]"
    machine = load_machine(str(tmp_path / "own.toml"))
    assert machine.calibration is not None and machine.trims.of("light-push").long_cm == 9.0


# The last throws in memory.

KEPT = ["run", "club-build", 1, 5.0, "ball", {"id": 1, "n": 1, "ball": "light-push", "outcome": "fed"}]
SLOTS: Mapping[str, str] = {
    "brackets": "[" * 1000,
    "no-row": "{}",
    "too-short": "[1]",
    "serial-a-word": json.dumps([*KEPT[:2], "x", *KEPT[3:]]),
    "serial-huge": json.dumps([*KEPT[:2], 10**300, *KEPT[3:]]),
    "moment-nan": json.dumps(KEPT).replace("5.0", "NaN"),
    "topic-a-list": json.dumps([*KEPT[:4], [], KEPT[5]]),
    "topic-of-no-throw": json.dumps([*KEPT[:4], "fault", KEPT[5]]),
    "fields-a-list": json.dumps([*KEPT[:5], [1]]),
    "fields-none": json.dumps([*KEPT[:5], {}]),
    "id-huge": json.dumps([*KEPT[:5], {**KEPT[5], "id": 10**40}]),  # type: ignore[dict-item]
    "id-a-table": json.dumps([*KEPT[:5], {**KEPT[5], "id": {}}]),  # type: ignore[dict-item]
}


@pytest.mark.parametrize("slot", SLOTS.values(), ids=list(SLOTS))
def test_a_last_throw_that_makes_no_sense_is_passed_over(slot: str, tmp_path: Path) -> None:
    """What an earlier daemon, or somebody else, left in memory ends neither the start nor the journal."""
    import zlib

    from drillfeed.daemon.journal.writer import Journal

    data = bytearray(SIZE)
    body = slot.encode()[: SLOT_BYTES - HEAD.size]
    data[: HEAD.size + len(body)] = HEAD.pack(len(body), zlib.crc32(body)) + body
    ring = tmp_path / "ring"
    ring.touch(mode=0o600)
    ring.write_bytes(data)
    journal = Journal(tmp_path / "j.sqlite", "club-build", "run-b", last=LastThrows(ring, "run-b", "club-build"))
    journal.turn()
    assert journal.warnings() == ()
    journal._close()


# Sub-commands read the same files by the same reader.

COMMANDS: Mapping[str, tuple[str, ...]] = {
    "serve --config": ("serve", "--config", "{}"),
    "serve --machine": ("serve", "--machine", "{}"),
    "check": ("check", "{}"),
    "check --machine": ("check", "mixed-spin", "--machine", "{}"),
    "check --config": ("check", "mixed-spin", "--level", "junior", "--config", "{}"),
    "rehearse": ("rehearse", "{}"),
    "rehearse --machine": ("rehearse", "mixed-spin", "--machine", "{}"),
    "list --machine": ("list", "balls", "--machine", "{}"),
    "aim --machine": ("aim", "--spin", "0", "--speed", "6", "--depth", "1", "--machine", "{}"),
    "fly --machine": ("fly", "--speed", "6", "--spin", "0", "--tilt", "10", "--machine", "{}"),
    "spread --machine": ("spread", "light-push", "--machine", "{}"),
    "calibrate": ("calibrate", "{}"),
    "calibrate --machine": ("calibrate", "--trim", "light-push", "--machine", "{}"),
    "drive --machine": ("drive", "simulated", "--link", "tcp://127.0.0.1:9", "--machine", "{}"),
    "drive --duty": (
        "drive", "serial", "--link", "tcp://127.0.0.1:9", "--port", "/dev/null", "--machine", "kit-build",
        "--duty", "{}",
    ),
    "pedal --config": ("pedal", "--config", "{}"),
    "replay": ("replay", "{}"),
    "history --journal": ("history", "--journal", "{}"),
    "history --config": ("history", "--config", "{}"),
}  # fmt: skip


def command(*words: str) -> tuple[object, str]:
    """Run a sub-command here; return its exit status and what it said on standard error."""
    said = io.StringIO()
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(said):
        try:
            code: object = main(words)
        except SystemExit as left:
            code = left.code
    return code, said.getvalue()


@pytest.mark.parametrize("kind", ["a-pipe", "zeros-without-end", "brackets", "digits-of-200-kB"])
@pytest.mark.parametrize("words", COMMANDS.values(), ids=list(COMMANDS))
def test_no_sub_command_waits_for_a_file_or_falls_over_it(words: tuple[str, ...], kind: str, tmp_path: Path) -> None:
    """A pipe, a device, brackets, digits: exit 2 and a line that names the file; no traceback."""
    path = tmp_path / "named"
    {**NOT_REGULAR, **TOO_MUCH}[kind](path)
    answer = apart(command, *(word.format(path) for word in words))
    assert answer.startswith("(2, ") and "named" in answer and "Traceback" not in answer, answer[:300]


@pytest.mark.parametrize("kind", ["a-pipe", "the-terminals", "zeros-without-end", "brackets", "seed-of-3-MB"])
def test_keys_of_this_user_keep_no_stop_waiting(kind: str, state: Path) -> None:
    """A client looks for its key before it sends anything; what is no file of keys holds none."""
    from drillfeed.clients.find import read_address
    from drillfeed.clients.keys import keep_key, kept_key, keys_file

    {**NOT_REGULAR, **TOO_MUCH}[kind](keys_file(os.environ))
    address = read_address("127.0.0.1:7340")
    assert apart(kept_key, address, dict(os.environ)) == "None"
    os.mkfifo(keys_file(os.environ).with_suffix(".new"))
    assert apart(keep_key, address, "3f2a.key", dict(os.environ)) == "None"
    assert apart(kept_key, address, dict(os.environ)) == "'3f2a.key'"


def test_a_journal_that_is_well_is_left_alone(state: Path) -> None:
    """Each version there ever was is brought up to date and kept; nothing of it is set aside."""
    for steps in range(1, VERSION + 1):
        path = state / f"{steps}.sqlite"
        journal(steps=steps, version=steps)(path)
        open_to_write(path).close()
    assert not [path for path in state.iterdir() if "damaged" in path.name]


def test_the_reader_is_the_only_one() -> None:
    """No other module of the daemon opens a file by its name to read it."""
    root = Path(app.__file__).parent
    may = {
        "files.py",
        "children.py",
        "demo/real.py",
        "shell/planning_process.py",
        "subcommands/play.py",
        "subcommands/record.py",
    }
    found = {
        str(path.relative_to(root))
        for path in root.rglob("*.py")
        if any(
            word in path.read_text("utf-8")
            for word in (".read_text(", ".read_bytes(", "tomllib.", ").open(", "path.open(")
        )
    }
    assert found <= may
