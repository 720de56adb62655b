"""Write the JSON Schemas of the files people write, or check them: `python -m drillfeed.daemon.file_schemas`.

Rule of this file: schemas come from the models that read the files. This file adds only what the reader does before
the models. A schema can't check rules between keys (a quota and its run limit): `drillfeed check FILE` does.
"""

import json
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from drillfeed.daemon.drills.balls import Collection
from drillfeed.daemon.drills.drill import Drill
from drillfeed.daemon.machine import Machine
from drillfeed.protocol.generated import write_or_check

FOLDER = Path(__file__).parent / "drills" / "schema"
DIALECT = "https://json-schema.org/draft/2020-12/schema"
LEARNT = {"calibration", "trims"}  # these have files of their own beside the profile
FILES: dict[str, type[BaseModel]] = {"drill": Drill, "balls": Collection, "machine": Machine}


def schema_of(model: type[BaseModel]) -> dict[str, Any]:
    """Return the schema of one kind of file."""
    schema = {"$schema": DIALECT, **model.model_json_schema()}
    return _with_shared_wheels(schema) if model is Machine else schema


def _with_shared_wheels(schema: dict[str, Any]) -> dict[str, Any]:
    """Return the schema with `[wheels]` for what both wheels share, as the reader of machine profiles allows."""
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
    """Return the schema without definitions that nothing refers to."""
    used = {name for name in schema["$defs"] if f'"#/$defs/{name}"' in json.dumps(schema)}
    if used == set(schema["$defs"]):
        return schema
    return _without_unused(
        {**schema, "$defs": {name: schema["$defs"][name] for name in schema["$defs"] if name in used}}
    )


def schema_text(model: type[BaseModel]) -> str:
    """Return the schema of one kind of file as text."""
    return json.dumps(schema_of(model), indent=2) + "\n"


def wanted() -> dict[Path, str]:
    """Return the schema files and their expected contents."""
    return {FOLDER / f"{name}.json": schema_text(model) for name, model in FILES.items()}


def main(arguments: list[str] | None = None) -> int:
    """Write all schemas, or with --check name those that are not current; return the exit status."""
    return write_or_check("drillfeed.daemon.file_schemas", wanted(), arguments, tuple(FOLDER.glob("*.json")))


if __name__ == "__main__":
    raise SystemExit(main())
