"""`python -m tests.engine.mutants`: change every cell of the state table and every figure of the ramp limiter.

    python -m tests.engine.mutants              both; prints what survives, exit 0 if that opens no way into motion
    python -m tests.engine.mutants --write      the same, and writes MUTANTS.md
    python -m tests.engine.mutants states|ramp

A mutant of the table is one cell that leads elsewhere, or nowhere, or somewhere though it led nowhere. It is killed if
a property of `test_state_table` fails. A mutant of the limiter is one operator, comparison, call or number changed. It
is killed if a test of `test_ramp_limiter` fails.
"""

import argparse
import ast
import contextlib
import io
import itertools
import sys
import types
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from hypothesis import HealthCheck, Phase, settings

from drillfeed.daemon.engine import ramp
from drillfeed.daemon.engine.states import MACHINE_EVENTS, PERSON_EVENTS, TABLE, Event
from drillfeed.protocol.status import State
from tests.engine import test_ramp_limiter, test_state_table

STATES: tuple[State, ...] = get_args(State)
EVENTS: tuple[Event, ...] = (*PERSON_EVENTS, *MACHINE_EVENTS)
DRIVEN = ("SPINUP", "FEEDING", "SETUP")
DOCUMENT = Path(__file__).with_name("MUTANTS.md")


@dataclass(frozen=True)
class Survivor:
    """A mutant that no test noticed: what it is, and why it opens no way into motion (empty: it does)."""

    what: str
    why: str


def cases(module: types.ModuleType) -> Iterator[Callable[[], None]]:
    """Yield every test of a module with each of its parameters filled in."""
    for name, test in vars(module).items():
        if not name.startswith("test_"):
            continue
        marks = [mark for mark in getattr(test, "pytestmark", []) if mark.name == "parametrize"]
        filled: list[list[dict[str, Any]]] = []
        for mark in marks:
            names = mark.args[0].split(",") if isinstance(mark.args[0], str) else list(mark.args[0])
            is_single = len(names) == 1
            filled.append([dict(zip(names, [value] if is_single else value, strict=True)) for value in mark.args[1]])
        for chosen in itertools.product(*filled):
            words = {key: value for part in chosen for key, value in part.items()}
            yield lambda test=test, words=words: test(**words)  # type: ignore[misc]


def killed(module: types.ModuleType) -> bool:
    """Tell whether any test of the module fails."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        for case in cases(module):
            try:
                case()
            except Exception:
                return True
    return False


# The table.


def ways_into_motion() -> set[tuple[str, ...]]:
    """Return every step of the table that drives, and every pair of states that the machine's own events connect so."""
    steps = {(state, event, then) for (state, event), then in TABLE.items() if then in DRIVEN}
    alone = {
        (state, there)
        for state in STATES
        for there in test_state_table.reached(state, MACHINE_EVENTS)
        if there in (*DRIVEN, "RESTING")
    }
    return {*steps, *alone}


def why_harmless(before: set[tuple[str, ...]], was: State | None, then: State | None, event: str) -> str:
    """Say why a changed cell opens no way into motion; empty where it does."""
    if ways_into_motion() - before:
        return ""
    if then is None:
        return "an effect less: the state stays, and nothing new can follow"
    if event in MACHINE_EVENTS:
        return "leads, by the machine's own events, to no driven state that was not reached so before"
    if was is None:
        return "a command has an effect where it had none, and leads to a state from which only a person goes on"
    return "a command leads elsewhere, to a state from which only a person goes on"


def table_mutants() -> tuple[int, list[Survivor]]:
    """Change each cell to each other state and to nothing; return how many there were and which survived."""
    count, survivors = 0, []
    before = ways_into_motion()
    for state, event in itertools.product(STATES, EVENTS):
        was = TABLE.get((state, event))
        for then in (*STATES, None):
            if then == was:
                continue
            count += 1
            if then is None:
                del TABLE[state, event]
            else:
                TABLE[state, event] = then
            try:
                if not killed(test_state_table):
                    why = why_harmless(before, was, then, event)
                    survivors.append(Survivor(f"{state}, {event}: {was or '-'} -> {then or '-'}", why))
            finally:
                if was is None:
                    TABLE.pop((state, event), None)
                else:
                    TABLE[state, event] = was
    return count, survivors


# The limiter.

SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.Or: ast.And, ast.And: ast.Or,
}  # fmt: skip
CALLS = {"min": "max", "max": "min", "abs": "float", "bisect_right": "bisect_left"}
FIELDS = {"up": "down", "down": "up", "quick": "down", "low": "high", "high": "low"}
BODIES = ("_finite_step", "_toward_zero", "limited", "RampLimiter")
# Changes that make no difference, each with its reason.
SAME = {
    "Lt -> LtE": "at equality both branches give the same value",
    "LtE -> Lt": "at equality both branches give the same value",
    "Gt -> GtE": "at equality both branches give the same value",
    "GtE -> Gt": "at equality both branches give the same value",
}


def _changes(node: ast.AST) -> Iterator[tuple[str, Callable[[], None], Callable[[], None]]]:
    """Yield what can be changed at a node: a word for it, how to do it and how to undo it."""

    def swap(holder: Any, name: str, new: Any) -> tuple[Callable[[], None], Callable[[], None]]:
        old = getattr(holder, name)
        return lambda: setattr(holder, name, new), lambda: setattr(holder, name, old)

    if isinstance(node, ast.BinOp | ast.BoolOp) and type(node.op) in SWAPS:
        yield f"{type(node.op).__name__} -> {SWAPS[type(node.op)].__name__}", *swap(node, "op", SWAPS[type(node.op)]())
    if isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS:
        new = SWAPS[type(node.ops[0])]
        yield f"{type(node.ops[0]).__name__} -> {new.__name__}", *swap(node, "ops", [new(), *node.ops[1:]])
    if isinstance(node, ast.Name) and node.id in CALLS and isinstance(node.ctx, ast.Load):
        yield f"{node.id} -> {CALLS[node.id]}", *swap(node, "id", CALLS[node.id])
    if isinstance(node, ast.Attribute) and node.attr in FIELDS:
        yield f".{node.attr} -> .{FIELDS[node.attr]}", *swap(node, "attr", FIELDS[node.attr])
    if isinstance(node, ast.Constant) and isinstance(node.value, float):
        yield f"{node.value} -> {node.value + 1.0}", *swap(node, "value", node.value + 1.0)
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield "not -> ", *swap(node, "op", ast.UAdd())
    if isinstance(node, ast.USub):
        return


def ramp_mutants() -> tuple[int, list[Survivor]]:
    """Change each operator, comparison, call and number of the limiter; return how many and which survived."""
    source = Path(ramp.__file__).read_text(encoding="utf-8")
    tree = ast.parse(source)
    lines = source.splitlines()
    bodies = [node for node in tree.body if isinstance(node, ast.FunctionDef | ast.ClassDef) and node.name in BODIES]
    count, survivors = 0, []
    real = {name: getattr(test_ramp_limiter, name) for name in ("limited", "RampLimiter")}
    for node in [found for body in bodies for found in ast.walk(body)]:
        for what, do, undo in _changes(node):
            do()
            count += 1
            module = types.ModuleType("mutant")
            sys.modules["mutant"] = module
            try:
                exec(compile(ast.fix_missing_locations(tree), "mutant", "exec"), vars(module))
                for name in real:
                    setattr(test_ramp_limiter, name, getattr(module, name))
                dead = killed(test_ramp_limiter)
            except Exception:
                dead = True
            finally:
                undo()
                for name, value in real.items():
                    setattr(test_ramp_limiter, name, value)
            if not dead:
                line = lines[getattr(node, "lineno", 1) - 1].strip()
                survivors.append(Survivor(f"{what} in `{line}`", SAME.get(what, "")))
    return count, survivors


def section(title: str, count: int, survivors: Sequence[Survivor]) -> str:
    """Return what came out, as a part of the document."""
    lines = [f"## {title}", "", f"{count} mutants, {count - len(survivors)} killed, {len(survivors)} survive."]
    for why, number in Counter(mutant.why for mutant in survivors).items():
        lines += ["", f"### {why or 'OPENS A WAY INTO MOTION, or is not explained'} ({number})", ""]
        lines += [f"- {mutant.what}" for mutant in survivors if mutant.why == why]
    return "\n".join(lines) + "\n"


def main(argv: Sequence[str] | None = None) -> int:
    """Make the mutants and tell what survives."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("of", nargs="?", choices=["states", "ramp"])
    parser.add_argument("--write", action="store_true", help="write MUTANTS.md")
    args = parser.parse_args(argv)
    settings.register_profile(
        "mutants", deadline=None, database=None, phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck), max_examples=200, derandomize=True,
    )  # fmt: skip
    settings.load_profile("mutants")
    parts, bad = [], 0
    if args.of in (None, "states"):
        count, survivors = table_mutants()
        bad += sum(not mutant.why for mutant in survivors)
        parts.append(section("The state table: every cell", count, survivors))
    if args.of in (None, "ramp"):
        count, survivors = ramp_mutants()
        bad += sum(not mutant.why for mutant in survivors)
        parts.append(section("The ramp limiter: every operator, comparison, call and number", count, survivors))
    text = "# Mutants, and why those that survive open no way into motion\n\n"
    text += "Written by `python -m tests.engine.mutants --write`.\n\n" + "\n".join(parts)
    print(text)
    if args.write:
        DOCUMENT.write_text(text, encoding="utf-8")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
