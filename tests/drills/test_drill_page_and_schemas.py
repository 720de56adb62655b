"""The page about drills, the schemas for editors, and the drills that are shipped."""

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from drillfeed.daemon import file_schemas
from drillfeed.daemon.drills.drill import Drill, Rung, Set, read_drill
from drillfeed.daemon.drills.quota import QuotaSequence
from drillfeed.daemon.drills.scenario import ScenarioSequence
from drillfeed.daemon.drills.weighted import RandomSequence
from drillfeed.daemon.drills.written import FixedSequence, RotatingSequence
from drillfeed.daemon.files import read_toml
from drillfeed.daemon.library.loading import known, load_balls, load_drill, load_machine
from drillfeed.daemon.planning.plan import plan_drill
from drillfeed.protocol.generated import stale

PAGE = Path(file_schemas.__file__).parent / "drills" / "DRILLS.md"
HEAD = 'name = "example"\ntitle = "example"\nlevel = "club"\ntempo_per_min = 30\n'
EXAMPLES = [
    block if block.startswith("name") else HEAD + block
    for block in re.findall(r"```toml\n(.*?)```", PAGE.read_text("utf-8"), re.S)
]
KINDS = {"balls": "balls", "drills": "drill", "machines": "machine"}
SHIPPED = [(kind, name) for kind in KINDS for name in known(kind)]  # type: ignore[arg-type]


@pytest.mark.parametrize("text", EXAMPLES, ids=range(len(EXAMPLES)))
def test_each_example_of_the_page_is_a_drill_that_can_be_thrown(text: str) -> None:
    """What the page shows is read without a mistake and planned for a machine that pans."""
    drill = read_drill(tomllib.loads(text), "DRILLS.md")
    thrown = plan_drill(drill, load_balls(), load_machine("hall-pan"), seed=1).balls
    assert thrown < drill.balls if any(part.lasts_s for part in drill.set) else thrown == drill.balls


def test_the_page_names_every_key_and_shows_every_order() -> None:
    """No key of a drill, a set or a step is missing on the page, and each kind of order has its example."""
    text = PAGE.read_text("utf-8")
    for model in (Drill, Set, Rung, FixedSequence, RandomSequence, QuotaSequence, RotatingSequence, ScenarioSequence):
        for key in model.model_fields:
            assert re.search(rf"\b{key}\b", text), f"{model.__name__}.{key}"
    kinds = {part["sequence"]["kind"] for example in EXAMPLES for part in tomllib.loads(example)["set"]}
    assert kinds == {"fixed", "rotating", "random", "quota", "scenario"}


def test_schemas_are_current() -> None:
    """The schema files are what the models give now, and nothing else lies beside them."""
    assert stale(file_schemas.wanted(), tuple(file_schemas.FOLDER.glob("*.json"))) == []


def test_schema_check_tells_by_its_exit_code(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`--check` exits 1 where a file is missing or old, 0 after writing."""
    monkeypatch.setattr(file_schemas, "FOLDER", tmp_path / "schema")
    assert file_schemas.main(["--check"]) == 1
    assert file_schemas.main([]) == 0
    assert file_schemas.main(["--check"]) == 0


def _schema(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((file_schemas.FOLDER / f"{name}.json").read_text("utf-8"))
    return found


@pytest.mark.parametrize(("kind", "name"), SHIPPED, ids=[f"{kind}/{name}" for kind, name in SHIPPED])
def test_shipped_files_fit_their_schema(kind: str, name: str) -> None:
    """Every machine, drill and collection that is shipped is right by the schema an editor would use."""
    jsonschema.validate(read_toml(known(kind)[name]), _schema(KINDS[kind]))  # type: ignore[arg-type]


@pytest.mark.parametrize("text", EXAMPLES, ids=range(len(EXAMPLES)))
def test_examples_of_the_page_fit_the_schema(text: str) -> None:
    """An editor finds no fault with what the page shows."""
    jsonschema.validate(tomllib.loads(text), _schema("drill"))


@pytest.mark.parametrize(
    ("kind", "old", "new"),
    [
        ("drill", "tempo_per_min = 30", "tempo_per_minute = 30"),
        ("drill", "balls = 15\n", "balls = 0\n"),
        ("drill", '"light-push"', '"light-push to left"'),
        ("drill", 'kind = "fixed"', 'kind = "any"'),
    ],
)
def test_schema_refuses_what_the_reader_refuses(kind: str, old: str, new: str) -> None:
    """A wrong key, number, side or kind is wrong for the schema too."""
    data = tomllib.loads(EXAMPLES[0].replace(old, new))
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, _schema(kind))


@pytest.mark.parametrize("name", known("drills"))
def test_each_shipped_drill_says_what_it_trains_and_when_to_move_on(name: str) -> None:
    """A drill is named as its file, and a coach can read what it is for."""
    drill = load_drill(name)
    assert drill.name == name
    assert len(drill.trains) > 20
    assert drill.move_on.startswith("When ")
