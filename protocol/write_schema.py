"""Write the JSON Schemas of the link messages, or check them: `python -m drillfeed.protocol.write_schema [--check]`.

Rule of this file: schemas come from the models in `link.py`; nothing is added but what the wire always carries.
"""

import argparse
import json
import sys
from pathlib import Path

from drillfeed.protocol.link import (
    VERSION,
    DaemonHello,
    DriverHello,
    Message,
    Order,
    Ping,
    Pong,
    Setpoint,
    Status,
)

FOLDER = Path(__file__).parent / "schema"
DIALECT = "https://json-schema.org/draft/2020-12/schema"
MESSAGES: dict[str, type[Message]] = {
    "driver-hello": DriverHello,
    "daemon-hello": DaemonHello,
    "setpoint": Setpoint,
    "order": Order,
    "ping": Ping,
    "pong": Pong,
    "status": Status,
}


def schema_text(model: type[Message]) -> str:
    """Return the schema of one message as text; `v` and `kind` are always on the wire."""
    schema = model.model_json_schema()
    schema["properties"]["v"] = {"const": VERSION, "title": "V", "type": "integer"}
    schema["required"] = ["v", "kind", *(name for name in schema.get("required", []) if name != "kind")]
    return json.dumps({"$schema": DIALECT, **schema}, indent=2) + "\n"


def stale() -> list[str]:
    """Return the names of schema files that are missing, out of date or nobody's."""
    names = {f"{name}.json" for name in MESSAGES}
    found = {path.name for path in FOLDER.glob("*.json")}
    wrong = [
        f"{name}.json"
        for name, model in MESSAGES.items()
        if f"{name}.json" not in found or (FOLDER / f"{name}.json").read_text(encoding="utf-8") != schema_text(model)
    ]
    return sorted({*wrong, *(found - names)})


def main(arguments: list[str] | None = None) -> int:
    """Write all schemas, or with --check name those that are not current; return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m drillfeed.protocol.write_schema", description=__doc__)
    parser.add_argument("--check", action="store_true", help="write nothing; exit 1 where a file is not current")
    if parser.parse_args(arguments).check:
        wrong = stale()
        for name in wrong:
            print(f"schema/{name} is not current; run python -m drillfeed.protocol.write_schema", file=sys.stderr)
        return 1 if wrong else 0
    FOLDER.mkdir(exist_ok=True)
    for name, model in MESSAGES.items():
        (FOLDER / f"{name}.json").write_text(schema_text(model), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
