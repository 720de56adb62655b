"""Files that are written from tables and models: written anew, or checked to be current.

Rule of this file: it compares texts; what they say comes from the module that calls.
"""

import argparse
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path


def stale(wanted: Mapping[Path, str], beside: Sequence[Path] = ()) -> list[Path]:
    """Return the files that are missing or out of date, and those of `beside` that nobody wants."""
    found = {path: path.read_text(encoding="utf-8") for path in {*wanted, *beside} if path.exists()}
    return sorted(path for path in {*wanted, *found} if wanted.get(path) != found.get(path))


def write_or_check(
    module: str, wanted: Mapping[Path, str], arguments: Sequence[str] | None, beside: Sequence[Path] = ()
) -> int:
    """Write the files, or with --check name those that are not current; return the exit status (1 where one is not)."""
    parser = argparse.ArgumentParser(prog=f"python -m {module}", description="Write files from the tables.")
    parser.add_argument("--check", action="store_true", help="write nothing; exit 1 where a file is not current")
    if parser.parse_args(arguments).check:
        problems = stale(wanted, beside)
        for path in problems:
            print(f"{path.name} is not current. Next: python -m {module}", file=sys.stderr)
        return 1 if problems else 0
    for path, text in wanted.items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return 0
