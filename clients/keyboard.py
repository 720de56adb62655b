"""The keyboard client without its terminal: what a key means, and what one screen shows.

Rule of this file: no I/O and no clock. Text only, readable without colour, in 40 to 120 columns.
"""

import re
import textwrap
from dataclasses import dataclass

from drillfeed.protocol.commands import COMMANDS, Command
from drillfeed.protocol.plain import plain
from drillfeed.protocol.status import Snapshot
from drillfeed.protocol.status_text import (
    ball_line,
    blank,
    made_text,
    next_step,
    offer_line,
    seconds,
    set_line,
    state_line,
    tempo_line,
)

NARROWEST, WIDEST = 40, 120
NAME_WIDTH = 11
# A key held down repeats many times a second; it must not become a second press.
SAME_KEY_AGAIN_S = 0.7
STALE_S = 2.0

# The space bar is handled separately: it pauses or resumes.
KEYS: dict[str, str] = {
    "s": "stop",
    "a": "arm",
    "g": "start",
    "r": "ready",
    "y": "confirm",
    "n": "skip",
    "d": "disarm",
    "c": "clear",
}

MARKS: dict[str, str] = {"+": "made", "-": "missed"}

PASTED_KEYS = 5
STOP_KEYS = ("s", "\x18")
# Arrow and function keys arrive as an escape and letters, some of which are also our keys (ECMA-48, 5.4).
_SEQUENCE = re.compile("\x1b(?:\\[[0-?]*[ -/]*[@-~]|O.|[^\\[O])", re.DOTALL)
_UNFINISHED = re.compile("\x1b(?:\\[[0-?]*[ -/]*|O)?$")


@dataclass(frozen=True)
class Press:
    """What a key asks for: a command, the stop byte, to leave, or nothing, with the reason."""

    command: Command | None = None
    stop: bool = False
    leave: bool = False
    why_not: str = ""


def keys_of(typed: str, kept: str = "") -> tuple[list[str], str]:
    """Split what a terminal sent into keys; return the keys and the beginning of an unfinished sequence.

    Arrow and function keys are dropped. Text that comes all at once was pasted, and only a stop in it counts.
    """
    text = _SEQUENCE.sub("", kept + typed)
    half = _UNFINISHED.search(text)
    keys = list(text[: half.start()] if half else text)
    if len(keys) >= PASTED_KEYS and len(set(keys)) > 1:
        keys = [key for key in keys if key.lower() in STOP_KEYS][:1]
    return keys, half.group() if half else ""


def press(key: str, snapshot: Snapshot | None, since_same_key_s: float, age_s: float) -> Press:
    """Tell what a key means now.

    `since_same_key_s` is the time since the same key was last seen. A key that repeats because it is held can
    stop and pause, but it never starts anything. `age_s` is the age of the snapshot. `start` quotes the stop
    count that the player can see, so an old snapshot starts nothing.
    """
    letter = key.lower()
    if letter in STOP_KEYS:
        return Press(stop=True)
    if letter == "q":
        return Press(leave=True)
    held = since_same_key_s < SAME_KEY_AGAIN_S
    if letter == " ":
        if snapshot is None or snapshot.state != "PAUSED" or age_s > STALE_S:
            return Press(Command("pause", {}))
        return Press(why_not="") if held else Press(Command("resume", {}))
    if letter in MARKS and not held:
        return Press(Command("mark", {"result": MARKS[letter]}))
    verb = KEYS.get(letter)
    if verb is None or held:
        return Press(why_not="" if held else "no such key; the keys are listed below")
    if verb == "start":
        if snapshot is None or age_s > STALE_S:
            return Press(why_not="not started: the state shown is too old")
        return Press(Command("start", {"stop_count": snapshot.stop_count}))
    if verb == "confirm":
        if snapshot is None or snapshot.offer is None or age_s > STALE_S:
            return Press(why_not="nothing is offered")
        return Press(Command("confirm", {"number": snapshot.offer.number}))
    return Press(Command(verb, {}))


def render(snapshot: Snapshot | None, width: int, message: str = "", age_s: float = 0.0) -> list[str]:
    """Return one screen as lines of at most `width` columns (kept within 40 to 120)."""
    width = max(NARROWEST, min(WIDEST, width))
    if snapshot is None:
        lines = ["NOT CONNECTED", "", *_wrap(message, width), ""]
        return [*lines, *_wrap("s stop   q leave", width)]
    lines = _wrap(state_line(snapshot).upper() if snapshot.state == "FAULT" else state_line(snapshot), width)
    if age_s > STALE_S:
        lines += _wrap(f"NO NEWS for {seconds(age_s)}: what is shown may be out of date", width)
    lines += _row("next", next_step(snapshot), width)
    if snapshot.offer:
        lines += _row("offer", offer_line(snapshot.offer), width)
    if snapshot.hint:
        lines += _row("hint", snapshot.hint, width)
    lines += _row(*_time_row(snapshot), width)
    lines.append("")
    lines += _row("drill", blank(snapshot.drill), width)
    if snapshot.player:
        lines += _row("player", snapshot.player, width)
    lines += _row("set", set_line(snapshot), width)
    lines += _row("tempo", tempo_line(snapshot), width)
    lines += _row("last ball", ball_line(snapshot.last_ball), width)
    lines += _row("next ball", ball_line(snapshot.next_ball), width)
    lines.append("")
    lines += _counts(snapshot, width)
    for text in snapshot.misfits:
        lines += _row("misfit", text, width)
    for text in (*snapshot.faults, *snapshot.warnings):
        lines += _row("note", text, width)
    lines.append("")
    lines += _row("told", message, width)
    lines.append("")
    return lines + _wrap(key_text(snapshot), width)


def key_text(snapshot: Snapshot) -> str:
    """Return a line of the keys that do something in this state."""
    space = "resume" if snapshot.state == "PAUSED" else "pause"
    keys = [f"space {space}", "s stop"]
    for key, verb in KEYS.items():
        offered = verb != "confirm" or snapshot.offer is not None
        if verb != "stop" and offered and snapshot.state in COMMANDS[verb].states:
            name = f"start (stop count {snapshot.stop_count})" if verb == "start" else verb
            keys.append(f"{key} {name}")
    if snapshot.counts.commanded:
        keys += [f"{key} {result}" for key, result in MARKS.items()]
    return "   ".join([*keys, "q leave"])


def _time_row(snapshot: Snapshot) -> tuple[str, str]:
    if snapshot.countdown_s is not None:
        return "first ball", f"in {seconds(snapshot.countdown_s)}"
    if snapshot.rest_waits:
        return "rest", "until you press r"
    if snapshot.rest_s is not None:
        return "rest", f"{seconds(snapshot.rest_s)} left"
    return "feed", f"{snapshot.feed} ({snapshot.feed_known})"


def _counts(snapshot: Snapshot, width: int) -> list[str]:
    counts = snapshot.counts
    figures = [
        ("commanded", str(counts.commanded)),
        ("seen", blank(counts.seen)),
        ("made", made_text(counts)),
        ("refused", str(counts.refused)),
        ("skipped", str(counts.skipped)),
        ("hopper", blank(snapshot.hopper)),
    ]
    lines = [""]
    for name, value in figures:
        cell = f"{name} {value:<5}"
        if len(lines[-1]) + len(cell) > width:
            lines.append("")
        lines[-1] += f"{cell} "
    return [line.rstrip() for line in lines]


def _row(name: str, value: str, width: int) -> list[str]:
    return _wrap(value, width, f"{name:<{NAME_WIDTH}}")


def _wrap(text: str, width: int, first: str = "") -> list[str]:
    rest = " " * len(first)
    return textwrap.wrap(plain(text), width, initial_indent=first, subsequent_indent=rest) or [first.rstrip()]
