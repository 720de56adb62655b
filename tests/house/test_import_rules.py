"""Who may import whom: read from the source, so that a wrong import fails before it does harm."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

# Layer -> the layers of ours that it may import, besides itself and the catalogue of texts, which is there for all. A
# layer not named here may be imported by no other.
MAY: dict[str, set[str]] = {
    "texts": set(),
    "protocol": set(),
    "clients": {"protocol"},
    "physics": set(),
    "calibration": {"validation"},
    "known": {"validation"},
    "machine": {"protocol", "validation", "calibration", "known", "wheel"},
    "survey": {"machine", "known", "validation", "wheel"},
    "wheel": {"protocol", "validation"},
    "validation": {"protocol"},
    "files": {"validation"},
    "children": set(),
    "library": {"files", "machine", "calibration", "drills", "validation", "aim"},
    "drills": {"validation", "physics"},
    "aim": {"physics", "machine", "calibration", "drills", "known", "validation", "wheel"},
    "planning": {"physics", "aim", "drills", "machine", "wheel", "validation", "protocol"},
    "learning": {"drills"},
    "engine": {"planning", "drills", "machine", "wheel", "protocol"},
    "todays_plan": {"journal", "learning", "planning", "drills", "machine", "validation"},
    "replaying": {"engine", "machine", "protocol"},
    "journal": {"protocol", "engine", "drills", "files", "validation", "learning"},
    "listing": {"library", "planning", "aim", "drills", "machine", "validation"},
    "guesses": {"planning", "aim", "drills", "machine", "survey"},
    "checking": {
        "library", "planning", "aim", "drills", "machine", "wheel", "validation", "files", "guesses", "survey",
    },
    "file_schemas": {"drills", "machine", "protocol"},
    "config": {"files", "drills", "validation"},
    "shell": {
        "engine", "protocol", "planning", "drills", "aim", "machine", "calibration", "library", "listing", "validation",
        "files", "journal", "learning", "todays_plan",
    },
}  # fmt: skip
JOINING = {"app", "boards", "cli", "subcommands", "demo", "simulation"}
IO_MODULES = {"asyncio", "socket", "zmq", "time", "os", "random", "structlog", "threading", "subprocess"}
PURE = {
    "texts",
    "physics",
    "aim",
    "drills",
    "planning",
    "learning",
    "engine",
    "known",
    "survey",
    "replaying",
    "machine",
    "wheel",
    "calibration",
    "validation",
    "protocol",
}


def layer_of(module: str) -> str | None:
    """Return the layer of a module of ours; None for a foreign one."""
    parts = module.split(".")
    if parts[0] != "drillfeed" or len(parts) < 2:
        return None
    if parts[1:3] == ["protocol", "texts"]:
        return "texts"
    if parts[1] != "daemon":
        return parts[1]
    return parts[2] if len(parts) > 2 else "daemon"


def sources() -> Iterator[tuple[Path, str]]:
    """Yield every source file with its layer."""
    for top in ("protocol", "clients", "daemon"):
        for path in sorted((ROOT / top).rglob("*.py")):
            inside = path.relative_to(ROOT).with_suffix("").parts
            if path.name != "__init__.py":
                yield path, layer_of(".".join(("drillfeed", *inside))) or ""


def imports(path: Path) -> Iterator[str]:
    """Yield the modules that a file imports anywhere: at its top, inside functions, and for a type checker alone."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


ALL = list(sources())


@pytest.mark.parametrize(("path", "layer"), ALL, ids=[str(path.relative_to(ROOT)) for path, _ in ALL])
def test_a_file_imports_only_the_layers_below_it(path: Path, layer: str) -> None:
    """Clients and shell, engine, planning, physics: each imports only what the rule lets it."""
    if layer in JOINING:
        return
    assert layer in MAY, f"{path.relative_to(ROOT)}: layer {layer} has no rule; add one and argue it in DEVELOPERS.md"
    for module in imports(path):
        other = layer_of(module)
        assert other in (None, layer, "texts") or other in MAY[layer], f"{layer} may not import {module}"


@pytest.mark.parametrize(
    ("path", "layer"),
    [name for name in ALL if name[1] in PURE],
    ids=[str(p.relative_to(ROOT)) for p, layer in ALL if layer in PURE],
)
def test_a_pure_file_imports_no_io(path: Path, layer: str) -> None:
    """No clock, no chance of its own, no socket, no log in the pure parts."""
    for module in imports(path):
        assert module.split(".")[0] not in IO_MODULES, f"{path.relative_to(ROOT)} imports {module}"


def test_the_driver_core_is_pure_too() -> None:
    """The adapter and the simulated board run on any clock: they import no clock and no socket."""
    names = [
        "adapter",
        "board",
        "feeds",
        "modes",
        "outputs",
        "report",
        "rules",
        "targets",
        "simulated",
        "wheels",
    ]
    for name in [*names, "timed_tilt", "timed_crank", "serial_board", "serial_lines", "duty"]:
        for module in imports(ROOT / "clients" / "drivers" / f"{name}.py"):
            assert module.split(".")[0] not in IO_MODULES, f"{name} imports {module}"


def test_no_file_imports_itself_by_any_way() -> None:
    """There is no ring of files, whichever imports one counts: those in functions and for a type checker as well."""
    names = {"drillfeed." + ".".join(path.relative_to(ROOT).with_suffix("").parts): path for path, _ in ALL}
    left = {
        name: {other for other in imports(path) if other in names and other != name} for name, path in names.items()
    }
    while left:
        free = {name for name, needs in left.items() if not needs & left.keys()}
        assert free, f"a ring among {', '.join(sorted(left))}"
        left = {name: needs for name, needs in left.items() if name not in free}
