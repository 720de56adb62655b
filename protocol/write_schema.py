"""Write the JSON Schemas of the link messages, or check them: `python -m drillfeed.protocol.write_schema [--check]`.

Rule of this file: schemas come from the models in `link.py`; nothing is added but what the wire always carries.
"""

import json
from pathlib import Path

from drillfeed.protocol.generated import write_or_check
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


def wanted() -> dict[Path, str]:
    """Return the schema files and what they ought to say."""
    return {FOLDER / f"{name}.json": schema_text(model) for name, model in MESSAGES.items()}


def main(arguments: list[str] | None = None) -> int:
    """Write all schemas, or with --check name those that are not current; return the exit status."""
    return write_or_check("drillfeed.protocol.write_schema", wanted(), arguments, tuple(FOLDER.glob("*.json")))


if __name__ == "__main__":
    raise SystemExit(main())
