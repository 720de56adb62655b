"""`drillfeed export`: a player's practice as tables, with a description of their columns.

Rule of this file: names stay at home unless `--names` is typed. It writes into one folder that it makes, private to
this user.
"""

import argparse
from typing import TYPE_CHECKING, Any

from drillfeed.daemon.subcommands.practised import add_practised, with_practice

if TYPE_CHECKING:
    from pathlib import Path

    from drillfeed.daemon.subcommands.practised import Practised

EXAMPLES = """\
examples:
  drillfeed export --player left-hander --out practice
  drillfeed export --player left-hander --out practice --form json --since 2026-01-01
  drillfeed export --player left-hander --out practice --form parquet

Writes sets, balls, marks, estimates and changes, and datapackage.json, which describes every column. A player is a
number unless --names is typed; a junior's times are then cut to the week too. Parquet needs the parquet extra.
"""
DESCRIPTION = "datapackage.json"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed export`."""
    add_practised(parser)
    parser.add_argument("--out", required=True, metavar="FOLDER", help="where to write; made if it is not there")
    parser.add_argument("--form", choices=("csv", "json", "parquet"), default="csv", help="form of the tables (csv)")
    parser.add_argument("--since", metavar="DAY", help="only sets from this day on, YYYY-MM-DD")


def run(args: argparse.Namespace) -> int:
    """Write the tables; return the exit code."""
    return with_practice(args, "export", lambda practised: _export(practised, args))


def _export(practised: "Practised", args: argparse.Namespace) -> int:
    import json
    from pathlib import Path

    from drillfeed.daemon.files import write_whole
    from drillfeed.daemon.journal.exporting import description, tables
    from drillfeed.daemon.subcommands.practised import day_of

    player = practised.player
    since = day_of(args.since) if args.since is not None else None
    number = f"player-{player.id}" if player is not None else "nobody named"
    name = player.name if player is not None and args.names else number
    coarse = player is not None and player.level == "junior" and not args.names
    known = tables(practised.connection, practised.knowledge, player.id if player else None, name, coarse, since)
    folder = Path(args.out)
    if folder.exists() and not (folder / DESCRIPTION).exists():
        raise FileExistsError(f"{folder} is there and holds no earlier export; expected a name that is free")
    for table, rows in known.items():
        _write(folder / f"{table}.{args.form}", table, rows)
    write_whole(folder / DESCRIPTION, json.dumps(description(known, args.form), indent=2) + "\n")
    print(f"written to {folder}: {', '.join(f'{len(rows)} {table}' for table, rows in known.items())}")
    return 0


def _write(path: "Path", table: str, rows: list[dict[str, Any]]) -> None:
    import csv
    import io
    import json

    from drillfeed.daemon.files import own_folder, write_whole
    from drillfeed.daemon.journal.exporting import COLUMNS
    from drillfeed.protocol.plain import cell

    if path.suffix == ".json":
        write_whole(path, json.dumps(rows, indent=1) + "\n")
        return
    if path.suffix == ".parquet":
        try:
            import pyarrow
            from pyarrow import parquet
        except ImportError:
            raise ImportError("Parquet needs pyarrow; next: pip install 'drillfeed[parquet]'") from None
        kinds = {"integer": pyarrow.int64(), "number": pyarrow.float64(), "string": pyarrow.string()}
        schema = pyarrow.schema([(name, kinds[kind]) for name, (kind, _) in COLUMNS[table].items()])
        own_folder(path.parent)
        parquet.write_table(pyarrow.Table.from_pylist(rows, schema=schema), path)
        return
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(COLUMNS[table])
    writer.writerows([cell(row[name]) for name in COLUMNS[table]] for row in rows)
    write_whole(path, text.getvalue())
