"""One owner for each state of the engine: read from the source, so that a second writer fails before it does harm."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ENGINE = Path(__file__).parents[2] / "daemon" / "engine"
FILES = sorted(ENGINE.glob("*.py"))
# They read the parts and decide; whatever changes a part is called from the other files.
READERS = ("checks", "commands", "hazards", "live_changes", "marking", "offers", "player", "progress", "setup_commands")
READERS += ("change_events", "run_up", "snapshot", "parts", "wording", "link_condition")
# What a class keeps by name: the slots of a set, the driver of a link, the doubts of a driver.
OF_OWNER = {"schedule": {"slot"}, "driver": {"driver"}, "contradictions": {"doubt"}}
MODULES = ("do", "setup", "e")
OWNERS = (
    "mode",
    "practice",
    "motion",
    "feeder",
    "hold",
    "pending",
    "run",
    "schedule",
    "leaving",
    "tally",
    "driver",
    "contradictions",
)


def targets(tree: ast.AST) -> Iterator[ast.expr]:
    """Yield everything that is assigned to, deleted or counted up."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign):
            for target in node.targets:
                yield from target.elts if isinstance(target, ast.Tuple) else [target]
        elif isinstance(node, ast.AugAssign | ast.AnnAssign):
            yield node.target
        elif isinstance(node, ast.Delete):
            yield from node.targets


def owner_of(target: ast.expr) -> str | None:
    """Return the name before the dot of an attribute, or of what is indexed; None for a plain name."""
    inner = target
    while isinstance(inner, ast.Subscript):
        inner = inner.value
    return ast.unparse(inner.value) if isinstance(inner, ast.Attribute) else None


@pytest.mark.parametrize("path", FILES, ids=[path.stem for path in FILES])
def test_a_class_alone_writes_its_fields(path: Path) -> None:
    """Inside the engine an attribute is assigned through `self` alone; slots are their set's, states their driver's."""
    own = {"self"} | OF_OWNER.get(path.stem, set())
    strange = [
        ast.unparse(target) for target in targets(ast.parse(path.read_text())) if owner_of(target) not in {None, *own}
    ]
    assert not strange, f"{path.name} writes {', '.join(strange)}"


def writers() -> set[str]:
    """Return the names of the owners' methods that change something."""
    found: set[str] = set()
    for name in OWNERS:
        for cls in ast.walk(ast.parse((ENGINE / f"{name}.py").read_text())):
            if not isinstance(cls, ast.ClassDef):
                continue
            for method in (part for part in cls.body if isinstance(part, ast.FunctionDef)):
                if method.name != "__init__" and any(owner_of(target) for target in targets(method)):
                    found.add(method.name)
    return found


@pytest.mark.parametrize("name", READERS)
def test_what_decides_changes_nothing(name: str) -> None:
    """Commands, checks, hazards and progress call no method of an owner that changes it."""
    tree = ast.parse((ENGINE / f"{name}.py").read_text())
    calls = (node.func for node in ast.walk(tree) if isinstance(node, ast.Call))
    methods = (func for func in calls if isinstance(func, ast.Attribute) and ast.unparse(func.value) not in MODULES)
    changing = {method.attr for method in methods} & writers()
    assert not changing, f"{name} calls {', '.join(sorted(changing))}"


def test_the_writers_are_found() -> None:
    """The check above knows what changes an owner."""
    assert {"follow", "latch", "begin_epoch", "count_hopper", "take_waiting", "next_set", "mark_ball"} <= writers()
