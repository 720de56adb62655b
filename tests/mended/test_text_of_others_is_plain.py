"""Text of others is printed plain: no control, bidi or zero-width character, and each text on its line."""

import ast
import contextlib
import csv
import io
import json
import re
import sys
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import structlog
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.clients.keyboard import render
from drillfeed.clients.lines import read_snapshot
from drillfeed.clients.marking import Landing
from drillfeed.clients.marking import as_csv as marks_csv
from drillfeed.clients.probe.probe import TABLE, Row
from drillfeed.clients.probe.verdict import row_text, verdict_json, verdict_text
from drillfeed.clients.recording import RecordedSetpoint, Recording
from drillfeed.clients.recording_svg import draw
from drillfeed.daemon import cli
from drillfeed.daemon.engine.events import FaultLatched
from drillfeed.daemon.journal import reading, report
from drillfeed.daemon.journal.entries import EventEntry
from drillfeed.daemon.journal.limits import Limits
from drillfeed.daemon.journal.reading import Load, SessionRow
from drillfeed.daemon.journal.schema import open_to_read
from drillfeed.daemon.shell.logs import log_to_stderr, tell
from drillfeed.daemon.shell.output import Plain
from drillfeed.daemon.subcommands.prompt import reply_lines
from drillfeed.daemon.subcommands.watch import _written
from drillfeed.daemon.validation import FileError, Table, Words
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.frames import decode_from_driver
from drillfeed.protocol.lines import (
    BadLine,
    BrokenReply,
    Line,
    LineBuffer,
    ReceivedNotice,
    Reply,
    ReplyReader,
    done,
    format_notice,
    format_reply,
    refusal,
)
from drillfeed.protocol.link import DriverHello, Status
from drillfeed.protocol.plain import cell, plain
from drillfeed.protocol.status import BallInfo, Notice, OfferInfo, Snapshot
from drillfeed.protocol.status_text import status_lines
from tests.journal.entries_of_a_practice import COACH, a_ball, a_set, journal_in, ordered, write_all

ROOT = Path(__file__).parents[2]
# By category, and those that Unicode calls ignorable, or draws as nothing, though they are letters or marks.
ODD_CATEGORIES = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
ODD = {0x034F, 0x115F, 0x1160, 0x17B4, 0x17B5, 0x180B, 0x180C, 0x180D, 0x180E, 0x180F, 0x2800, 0x3164, 0xFFA0}
ODD |= {*range(0xFE00, 0xFE10), *range(0xE0100, 0xE01F0)}
SAMPLES = (
    "\x00\x07\x08\t\n\r\x1b\x7f\x85\x9b\u00a0\u00ad"
    "\u061c\u200b\u200d\u200e\u202e\u2028\u2029\u2066\u2069\ufeff\U000e0041"
)
HARD = st.text(
    st.sampled_from(SAMPLES + "".join(map(chr, ODD)) + "a=+-@|%\",;'\u00e9\u4e16 ") | st.characters(), max_size=40
)
FORMULA = re.compile(r"\s*['\"]?\s*[=+\-@|%\uff1d\uff0b\uff0d\uff20]")


def odd(text: str) -> list[str]:
    """Return what must not be in a text of several lines."""
    return [c for c in text if c != "\n" and (unicodedata.category(c) in ODD_CATEGORIES or ord(c) in ODD)]


def sendable(text: str) -> str:
    """Return a text as JSON can carry it: halves of a surrogate pair it cannot."""
    return text.encode("utf-8", "replace").decode()


def snapshot(text: str) -> Snapshot:
    """A snapshot with the text wherever somebody else writes one."""
    return Snapshot(
        state="FAULT", since_s=1.0, stop_count=1, reason=text, hint=text, next_step=text, player=text, limits=text,
        drill=text, changes=text, change_waits=text, queued=text, machine=text, driver=text, link=text,
        calibration=text, tempo_per_min=30.0, tempo_reason=text, feed="closed", faults=(text, text), warnings=(text,),
        offer=OfferInfo(number=1, by=text, what=text, left_s=9.0),
        last_ball=BallInfo(n=1, ball=text, set=1, side=text, result="refused", reason=text),
    )  # fmt: skip


def heard(text: str) -> DriverHello:
    text = sendable(text)
    limits = {"low_rpm": 0.0, "high_rpm": 1.0, "up_rpm_per_s": 1.0, "down_rpm_per_s": 1.0, "quick_rpm_per_s": 1.0}
    told = {
        "v": 1, "kind": "hello", "driver": text, "boot": f"boot{text}", "now_s": 0.0, "feedback": "none",
        "limits": {"top": limits, "bottom": limits}, "stopping": "coast", "spin_down_s": 1.0, "exit_sensor": False,
    }  # fmt: skip
    message = decode_from_driver(json.dumps(told).encode())
    assert isinstance(message, DriverHello)
    return message


def status(text: str) -> str:
    text = sendable(text)
    told = {
        "v": 1, "kind": "status", "boot": text, "now_s": 0.0, "mode": "tripped", "mode_reason": text, "feeding": False,
        "session": text, "limits_hash": text, "top": {"target_rpm": 0.0}, "bottom": {"target_rpm": 0.0},
        "faults": [{"part": text, "what": text}], "refusals": [{"n": 1, "kind": text, "reason": text}],
        "feeds": [{"id": 1, "result": "refused", "at_s": 0.0, "reason": text}],
    }  # fmt: skip
    message = decode_from_driver(json.dumps(told).encode())
    assert isinstance(message, Status)
    return "\n".join(
        [message.boot, str(message.mode_reason), str(message.session), str(message.limits_hash)]
        + [f"{fault.part}\n{fault.what}" for fault in message.faults]
        + [f"{refused.kind}\n{refused.reason}" for refused in message.refusals]
        + [str(result.reason) for result in message.feeds]
    )


def session_row(text: str) -> SessionRow:
    known: dict[str, Any] = dict.fromkeys(SessionRow.__dataclass_fields__, 1)
    return SessionRow(**{**known, "players": (text,), "drills": (text, text), "machine": text, "made": None})


def from_a_daemon(text: str, as_json: bool) -> ReceivedNotice:
    """What a client reads of a daemon that does not know what plain is."""
    notice = json.dumps({"serial": 1, "topic": "ball", "text": text, "fields": {"driver": text}})
    line = notice if as_json else f"ball {text}".replace("\n", "\x85")
    (told,) = ReplyReader().feed(f"! {line}\n".encode("utf-8", "replace"))
    assert isinstance(told, ReceivedNotice)
    return told


def answer(text: str) -> Reply:
    raw = text.replace("\n", "\x0b")
    (reply,) = ReplyReader().feed(f"| {raw}\ndone status {raw}\n".encode("utf-8", "replace"))
    assert isinstance(reply, Reply)
    return reply


def typed(text: str) -> str:
    told = []
    for event in LineBuffer().feed(f"load {text}\n".encode("utf-8", "surrogatepass")):
        told.append(event.text if isinstance(event, Line) else "")
        if isinstance(event, BadLine):
            told.append(format_reply(refusal("load", event.refused)).decode())
    return "\n".join(told)


def logged(text: str) -> str:
    stream, usual = io.StringIO(), sys.stderr
    sys.stderr = stream
    try:
        log_to_stderr()
        structlog.get_logger("test").warning(text, driver=text, number=1)
    finally:
        sys.stderr = usual
        structlog.reset_defaults()
    return stream.getvalue()


def written(write: Callable[[Any], object]) -> str:
    stream = io.StringIO()
    with contextlib.redirect_stdout(stream):
        write(stream)
    return stream.getvalue()


class Titled(Table):
    title: Words


CHECK = TABLE[0]
ASKED = RecordedSetpoint(0.0, 1.0, 1.0, 1.0)
LIMITS = Limits(600, 2400)


def too_much(text: str) -> Load:
    return Load(text, None, 9999, 9999, 1)


def raw(snapshot: Snapshot, text: str) -> str:
    """Return a snapshot as JSON with a text put in that no model has looked at."""
    return snapshot.model_dump_json().replace('"@"', json.dumps(text))


def status_read(text: str) -> str:
    """Return what is shown of a status of somebody else; nothing is shown of one that is no JSON text."""
    reply = done("status", data=(raw(snapshot("@"), text),))
    try:
        return "".join(status_lines(read_snapshot(reply)))
    except BrokenReply:
        assert re.search(r"[\ud800-\udfff]", text)
        return ""


# Every place that prints what somebody else wrote, with how many lines may come of one text (None: it wraps).
PRINTERS: dict[str, tuple[Callable[[str], str], int | None]] = {
    "status text": (lambda text: "\n".join(status_lines(snapshot(text))), len(status_lines(snapshot("a")))),
    "status json": (lambda text: snapshot(text).model_dump_json(), 1),
    "status read": (status_read, 1),
    "reply": (lambda text: format_reply(done("load", text, (text, text))).decode(), 4),
    "refusal": (lambda text: format_reply(refusal("load", Refused("unknown-name", text, found=text))).decode(), 2),
    "notice": (lambda text: format_notice(Notice(serial=1, topic="ball", text=text)).decode(), 2),
    "notice json": (
        lambda text: format_notice(Notice(serial=1, topic="ball", text=text, fields={"a": text}), True).decode(),
        2,
    ),
    "watch": (lambda text: _written(from_a_daemon(text, False), False), 1),
    "watch of json": (lambda text: _written(from_a_daemon(text, True), False), 1),
    "watch --json": (lambda text: _written(from_a_daemon(text, True), True), 1),
    "send": (lambda text: "\n".join((*answer(text).data, answer(text).text)), 2),
    "prompt": (lambda text: "\n".join(reply_lines(answer(text))), 2),
    "keyboard": (lambda text: "\n".join(render(snapshot(text), 80, text)), None),
    "keyboard, not connected": (lambda text: "\n".join(render(None, 80, text)), None),
    "history": (
        lambda text: "\n".join(report.sessions_lines([session_row(text)], [too_much(text)], LIMITS, 400)),
        None,
    ),
    "history, narrow": (lambda text: "\n".join(report.sessions_lines([session_row(text)], [], LIMITS, 30)), None),
    "history --csv": (lambda text: report.as_csv([session_row(text)]).replace("\r\n", "\n"), 3),
    "history --json": (lambda text: report.as_json(sessions=[session_row(text)]), None),
    "marks.csv": (lambda text: marks_csv([Landing(text, 1.0, 2.0, 3.0, 4.0)]), 3),
    "driver's hello": (lambda text: heard(text).driver + heard(text).boot, 1),
    "driver's status": (status, 9),
    "probe's row": (lambda text: row_text(Row(CHECK, "fails", text)), None),
    "probe's verdict": (lambda text: verdict_text([Row(CHECK, "fails", text)], heard(text)), None),
    "probe's json": (lambda text: verdict_json([Row(CHECK, "fails", text)], heard(text)), None),
    "drawing": (lambda text: draw(Recording(text, [ASKED]), text), None),
    "a file's title": (lambda text: Titled(title=text).title, 1),
    "a file's mistake": (lambda text: str(FileError(text, text, repr(text), text)), 1),
    "typed line": (typed, None),
    "daemon's log": (logged, 2),
    "daemon's own lines": (lambda text: written(lambda stream: tell(text)), None),
    "any sub-command": (lambda text: written(lambda stream: print(text, file=Plain(stream))), None),
}  # fmt: skip


@pytest.mark.parametrize("name", PRINTERS)
@settings(max_examples=60, deadline=None)
@given(text=HARD)
def test_nothing_odd_passes_a_printer(name: str, text: str) -> None:
    """Whatever the text of somebody else, what a printer writes has no odd character, and one line for each text."""
    write, lines = PRINTERS[name]
    shown = write(text[:60])
    assert odd(shown) == []
    assert lines is None or len(shown.split("\n")) <= lines


@settings(max_examples=500)
@given(text=st.text(st.characters(), max_size=20) | HARD)
def test_plain_text_keeps_what_is_plain(text: str) -> None:
    """`plain` is its own fixed point, drops nothing, and changes no letter, mark, figure, sign or blank."""
    shown = plain(text)
    assert odd(shown) == [] and plain(shown) == shown and len(shown) == len(text) and "\n" not in shown
    for before, after in zip(text, shown, strict=True):
        assert after == before or unicodedata.category(before) in {*ODD_CATEGORIES, "Zs"} or ord(before) in ODD \
            or 0xE0000 <= ord(before) <= 0xE0FFF  # fmt: skip


@settings(max_examples=300)
@given(
    text=HARD | st.builds(str.__add__, st.sampled_from(["=", "+", "-", "@", "\t=", " =", "\u200b=", "\uff1d"]), HARD)
)
def test_no_csv_cell_begins_a_formula(text: str) -> None:
    """A cell that a program reads back begins with no sign of a formula, unless it is a figure."""
    rows = list(csv.reader(io.StringIO(report.as_csv([session_row(text)]))))
    rows += list(csv.reader(io.StringIO(marks_csv([Landing(text, 1.0, 2.0, 3.0, -4.0)]))))
    for row in rows:
        for value in row:
            assert not FORMULA.match(value) or value[0] == "'" or re.fullmatch(r"[+-]?[0-9]+(\.[0-9]+)?", value)
    assert all(not row or len(row) in (len(rows[0]), 5) for row in rows)


@pytest.mark.parametrize("value", [-3, -4.5, "+17", "-20.5", None, "light-push", "o'clock"])
def test_figures_and_words_stay_as_they_are_in_csv(value: object) -> None:
    """A figure below zero is no formula."""
    assert cell(value) == value


def test_the_journal_keeps_and_tells_plain_text(tmp_path: Path) -> None:
    """Whatever is in the journal, of an older version or by another hand, `history` tells it plain, in each form."""
    journal, bad = journal_in(tmp_path), f"=cmd{SAMPLES}x"
    write_all(
        journal,
        a_set(0.0, drill=bad),
        a_ball(1.0, 1, outcome="refused", reason=bad),
        ordered(2.0, f"load {bad}", COACH),
        EventEntry(FaultLatched(3.0, bad, bad, bad, bad, bad)),
    )
    with contextlib.closing(open_to_read(journal.path)) as connection:
        found = reading.session(connection, 1)
        texts = [
            "\n".join(report.session_lines(found, 200)),
            "\n".join(report.session_lines(found, 40)),
            report.as_csv(found.throws).replace("\r\n", "\n"),
            report.as_json(**vars(found)),
        ]
    for text in texts:
        assert odd(text) == []
    assert all(not field.startswith("=") for row in csv.reader(io.StringIO(texts[2])) for field in row)


DRILL = """name = "odd"
title = "T{bad}T"
trains = "T{bad}T"
level = "club"
tempo_per_min = 30
[[set]]
title = "T{bad}T"
balls = 4
[set.sequence]
kind = "fixed"
balls = ["light-push"]
"""


def test_a_drill_of_somebody_else_is_listed_checked_and_rehearsed_plain(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Titles with escapes, bidi overrides and newlines: three sub-commands print them on one line, plain."""
    bad = "".join(f"\\U{ord(character):08x}" for character in SAMPLES)
    path = tmp_path / "odd.toml"
    path.write_text(DRILL.format(bad=bad))
    for words in (["list", "drills", "--drills", str(tmp_path)], ["check", str(path)], ["rehearse", str(path)]):
        assert cli.main(words) == 0, capsys.readouterr().err
        shown = capsys.readouterr().out
        assert odd(shown) == [] and re.search(r"T[ \ufffd]+T", shown), shown


def test_nobody_prints_but_sub_commands_and_logs() -> None:
    """What prints is called by the command line, where all output is plain; nothing opens standard output by itself."""
    ours = {"daemon/cli.py", "daemon/shell/logs.py", "daemon/shell/output.py", "protocol/generated.py"}
    for top in ("protocol", "clients", "daemon"):
        for path in sorted((ROOT / top).rglob("*.py")):
            name = str(path.relative_to(ROOT))
            if name in ours or name.startswith(("daemon/subcommands/", "daemon/demo/", "protocol/write_")):
                continue
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                called = ast.unparse(node.func) if isinstance(node, ast.Call) else ""
                assert called != "print" and not re.match(r"sys\.\w*stdout\.(?!fileno$)", called), (
                    f"{name}:{node.lineno} prints by itself"
                )  # type: ignore[attr-defined]
    for path in sorted((ROOT / "daemon" / "subcommands").glob("*.py")):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"sys\.__std|stdout\.buffer|os\.write\(1", text), path.name
