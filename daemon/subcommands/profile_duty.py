"""`drillfeed profile duty`: a wheel's speed at a few duties, for a board that is told duties and measures nothing."""

from pathlib import Path

from drillfeed.clients.drivers.duty import duty_of, off_rpm
from drillfeed.daemon.calibration import beside
from drillfeed.daemon.files import read_text, read_toml, toml_of
from drillfeed.daemon.known import Known
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.machine import WheelName
from drillfeed.daemon.shell.output import ask
from drillfeed.daemon.survey.answers import Answer, NotUnderstood, as_typed
from drillfeed.daemon.survey.asking import QUIT, prompt_text, wrapped
from drillfeed.daemon.survey.duty_questions import DUTY_QUESTIONS, PERCENTS, VOLTS, duty_text, speeds
from drillfeed.daemon.survey.editing import edited
from drillfeed.daemon.survey.keys import Key
from drillfeed.daemon.survey.texts import flat
from drillfeed.daemon.survey.topics import OF_MOTOR

WHEELS: tuple[WheelName, ...] = ("top", "bottom")
LOOKED_AT = (0.4, 0.6, 0.85, 1.0)  # of full speed: where the table's plus-minus is taken


def measured(path: Path, given: Path | None, day: str) -> tuple[str, Path, str] | None:
    """Return the changed profile as text, where the table of duties goes, and its text; None if the builder leaves.

    Raises ValueError or InvalidFile. `given` is a file of answers; else the terminal is asked.
    """
    machine = load_machine(str(path))
    if machine.sensors.speed_feedback:
        raise ValueError(f"{machine.name} has speed feedback, so its board is told rpm and needs no table of duties")
    answers = _answer_each(given, day)
    if answers is None:
        return None
    text, file = duty_text(answers, day), beside(path, "duty")
    tables = duty_of(toml_of(text, file), str(file))
    keys, gone = [], [f"wheels.{name}" for name in (*OF_MOTOR, "high_rpm", "low_rpm")]
    for wheel in WHEELS:
        table, full = tables[wheel], speeds(answers, wheel)[-1]
        share = max(off_rpm(rpm, table) / rpm for rpm in (0.4 * full, 0.6 * full, 0.85 * full, full))
        how = f"{len(PERCENTS)} duties at {answers[VOLTS].number:g} V, and lines between them"
        known = Known(basis="measured", how=how, when=day, plus_minus=round(share * full, 1))
        keys.append(Key(f"wheels.{wheel}.high_rpm", full, known))
        lowest = min(machine.wheel(wheel).lowest_rpm, 0.5 * full)
        keys.append(Key(f"wheels.{wheel}.low_rpm", lowest, Known(basis="guessed", when=day)))
    gone += [f"wheels.{wheel}.{name}" for wheel in WHEELS for name in OF_MOTOR]
    changed, _ = edited(read_text(path), keys, gone, lambda text: toml_of(text, path))
    return changed, file, text


def _answer_each(file: Path | None, day: str) -> dict[str, Answer] | None:
    """Return the answers about duties, from the file or from the terminal; None if the builder leaves."""
    given = flat(read_toml(file)) if file is not None else None
    answers: dict[str, Answer] = {}
    for question in DUTY_QUESTIONS:
        if given is not None:
            answers[question.id] = as_typed(question, given.get(question.id, ("", ""))[0], day)
            continue
        print("\n".join(["", *wrapped([question.text, f"      {question.how}"])]))
        while question.id not in answers:
            try:
                line = ask(prompt_text(question))
            except EOFError:
                return None
            if line.strip().lower() == QUIT:
                return None
            try:
                answers[question.id] = as_typed(question, line, day)
            except NotUnderstood as error:
                print(f"      {error}")
    return answers
