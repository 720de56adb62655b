"""Write the JSON Schemas of the files people write, or check them: `python -m drillfeed.daemon.file_schemas`.

Rule of this file: schemas come from the models that read the files; added is only what the reader does before them.
Rules between keys (a quota against its run limit) are beyond a schema: `drillfeed check FILE` tells those.
"""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from drillfeed.daemon.drills.balls import Collection
from drillfeed.daemon.drills.drill import Drill
from drillfeed.daemon.machine import Machine

FOLDER = Path(__file__).parent / "drills" / "schema"
DIALECT = "https://json-schema.org/draft/2020-12/schema"
LEARNT = {"calibration", "trims"}  # lie in files of their own beside the profile
FILES: dict[str, type[BaseModel]] = {"drill": Drill, "balls": Collection, "machine": Machine}


def schema_of(model: type[BaseModel]) -> dict[str, Any]:
    """Return the schema of one kind of file."""
    schema = {"$schema": DIALECT, **model.model_json_schema()}
    return _with_shared_wheels(schema) if model is Machine else schema


def _with_shared_wheels(schema: dict[str, Any]) -> dict[str, Any]:
    """Let `[wheels]` hold what both wheels share, as the reader of machine profiles does."""
    wheel = schema["$defs"]["Wheel"]
    part = {key: value for key, value in wheel.items() if key != "required"}
    schema["$defs"]["WheelPart"] = {**part, "description": "What is given of a wheel beside what both share."}
    sides = {side: {"$ref": "#/$defs/WheelPart"} for side in ("top", "bottom")}
    shared = {**part, "properties": {**part["properties"], **sides}, "description": "What both wheels share."}
    own = {key: value for key, value in schema["properties"].items() if key not in LEARNT}
    schema["properties"] = {**own, "wheels": shared, **sides}
    schema["required"] = [name for name in schema["required"] if name not in sides]
    return _without_unused(schema)


def _without_unused(schema: dict[str, Any]) -> dict[str, Any]:
    """Drop definitions that nothing refers to any more."""
    used = {name for name in schema["$defs"] if f'"#/$defs/{name}"' in json.dumps(schema)}
    if used == set(schema["$defs"]):
        return schema
    return _without_unused(
        {**schema, "$defs": {name: schema["$defs"][name] for name in schema["$defs"] if name in used}}
    )


def schema_text(model: type[BaseModel]) -> str:
    """Return the schema of one kind of file as text."""
    return json.dumps(schema_of(model), indent=2) + "\n"


def stale() -> list[str]:
    """Return the names of schema files that are missing, out of date or nobody's."""
    wanted = {f"{name}.json": schema_text(model) for name, model in FILES.items()}
    found = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.glob("*.json")}
    return sorted(name for name in {*wanted, *found} if wanted.get(name) != found.get(name))


def main(arguments: list[str] | None = None) -> int:
    """Write all schemas, or with --check name those that are not current; return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m drillfeed.daemon.file_schemas", description=__doc__)
    parser.add_argument("--check", action="store_true", help="write nothing; exit 1 where a file is not current")
    if parser.parse_args(arguments).check:
        wrong = stale()
        for name in wrong:
            print(f"schema/{name} is not current; run python -m drillfeed.daemon.file_schemas", file=sys.stderr)
        return 1 if wrong else 0
    FOLDER.mkdir(exist_ok=True)
    for name, model in FILES.items():
        (FOLDER / f"{name}.json").write_text(schema_text(model), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
