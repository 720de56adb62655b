"""The two files of the guided set-up as text: the profile, and the answers that it was made from.

Rule of this file: pure. Answers are kept as they were typed, so that the set-up can be left and taken up again, and a
value can be traced to what was read off the ruler.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from drillfeed.daemon.known import Known
from drillfeed.daemon.survey.answers import Answer, NotUnderstood, Question, as_typed
from drillfeed.daemon.survey.keys import Key
from drillfeed.daemon.survey.questions import BY_ID, asked
from drillfeed.daemon.survey.sense import Never, doubt
from drillfeed.daemon.validation import FileError, InvalidFile

HEAD = "# Written by drillfeed profile. [known] says how each value is known; drillfeed profile improve measures on."
ANSWERS_HEAD = "# Answers to drillfeed profile new, as typed; it goes on from here."


def toml_value(value: Any) -> str:
    """Return a value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    return repr(int(value)) if float(value).is_integer() else repr(value)


def quoted(text: str) -> str:
    """Return a text as a TOML string."""
    return '"' + "".join(c if c.isprintable() and c not in '"\\' else f"\\u{ord(c):04x}" for c in text) + '"'


def known_line(path: str, known: Known) -> str:
    """Return the line of `[known]` for one key."""
    fields = known.model_dump(exclude_none=True, exclude_defaults=True)
    inside = ", ".join(f"{name} = {toml_value(value)}" for name, value in fields.items())
    return f"{quoted(path)} = {{ {inside} }}"


def profile_text(keys: Iterable[Key]) -> str:
    """Return a machine profile as text: its keys by table, then how each is known."""
    rows = list(keys)
    lines = [HEAD]
    table = ""
    for key in rows:
        of, _, name = key.path.rpartition(".")
        if of != table:
            lines += ["", f"[{of}]"]
            table = of
        lines.append(f"{name} = {toml_value(key.value)}")
    lines += ["", "[known]", *(known_line(key.path, key.known) for key in rows if key.known is not None)]
    return "\n".join(lines) + "\n"


def answers_text(answers: Mapping[str, Answer]) -> str:
    """Return answers as text, in the order of the questions."""
    lines = [ANSWERS_HEAD]
    for question in asked(answers):
        if question.id in answers:
            answer = answers[question.id]
            day = f", when = {quoted(answer.when)}" if answer.when else ""
            lines.append(f"{quoted(question.id)} = {{ text = {quoted(answer.text)}{day} }}")
    return "\n".join(lines) + "\n"


def answers_of(
    data: Mapping[str, Any], file: str, today: str, defaults: bool = False, before: Mapping[str, Answer] | None = None
) -> dict[str, Answer]:
    """Return the answers in a file: texts, figures, or tables with `text` and `when`; raise InvalidFile.

    They are read in the order of the questions, and every sense check applies: an odd figure needs its `!`. With
    `defaults` a question that is left out gets its default, and one that has none is a mistake. `before` are
    answers that stand already.
    """
    given = flat(data)
    faults = [
        FileError(file, id, "no such question", "an id of: drillfeed profile questions")
        for id in given
        if id not in BY_ID
    ]
    answers = dict(before or {})
    while (question := _next(answers, given, defaults)) is not None:
        if question.id not in given and question.usual is None:
            faults.append(FileError(file, question.id, "nothing", f"an answer: {question.text}"))
            break
        said, when = given.get(question.id, ("", ""))
        try:
            answer = as_typed(question, said, when or today)
        except NotUnderstood as error:
            faults.append(FileError(file, question.id, repr(said), str(error)))
            break
        odd = doubt(question.id, answer, answers)
        if isinstance(odd, Never) or (odd is not None and not answer.sure):
            faults.append(FileError(file, question.id, repr(said), f"{odd}; or the same with ! to keep it"))
            break
        answers[question.id] = answer
    if faults:
        raise InvalidFile(faults)
    return answers


def _next(answers: Mapping[str, Answer], given: Mapping[str, object], defaults: bool) -> Question | None:
    left = (question for question in asked(answers) if question.id not in answers)
    return next((question for question in left if defaults or question.id in given), None)


def flat(data: Mapping[str, Any], before: str = "") -> dict[str, tuple[str, str]]:
    """Return text and day by id; an id may be written as tables, `[tilt]` with `low`."""
    found: dict[str, tuple[str, str]] = {}
    for name, value in data.items():
        id = f"{before}{name}"
        if isinstance(value, dict) and "text" not in value:
            found |= flat(value, f"{id}.")
        else:
            table = value if isinstance(value, dict) else {"text": value}
            said = table["text"]
            word = {True: "yes", False: "no"}[said] if isinstance(said, bool) else str(said)
            found[id] = (word, str(table.get("when", "")))
    return found
