"""Play every script and write what came of it: `python -m tests.replay.rewrite_scripts`."""

import tempfile
from pathlib import Path

from tests.support.stage import play


def main() -> None:
    """Rewrite the scripts in their folder."""
    for path in sorted((Path(__file__).parent / "scripts").glob("*.txt")):
        with tempfile.TemporaryDirectory() as folder:
            path.write_text(play(path.read_text("utf-8"), Path(folder)), "utf-8")


if __name__ == "__main__":
    main()
