"""`drillfeed profile`: a guided set-up that writes a machine profile, and measures single values again.

Rule of this file: `survey/` decides what is asked and what comes of it. This file reads lines, writes both files and
calls `jog` when the builder types it; it moves nothing by itself.
"""

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from drillfeed.daemon.machine import Machine
    from drillfeed.daemon.survey.answers import Answer
    from drillfeed.daemon.survey.asking import Course
    from drillfeed.daemon.survey.topics import Topic

EXAMPLES = """\
examples:
  drillfeed profile new my-thrower.toml            asks, and writes the profile; quit and take it up again as you like
  drillfeed profile new my-thrower.toml --answers answers.toml
  drillfeed profile improve my-thrower.toml        measures next what is worth most
  drillfeed profile improve my-thrower.toml full-speed
  drillfeed profile duty my-thrower.toml           which duty makes which speed, for a board without sensors
  drillfeed profile show my-thrower.toml           how each value is known
  drillfeed profile questions                      every question with its id, for a file of answers

Have at hand: a ruler, a stopwatch, a phone with slow motion and a level, a kitchen scale, perhaps a multimeter.
Eye protection on, nobody in front of the opening, motor power off whenever a hand is near the wheels.
Exit code: 0 written, 1 left before the end (what was answered is kept), 2 a mistake.
"""
WRITTEN, LEFT, MISTAKE = 0, 1, 2
ACTIONS = ("new", "improve", "duty", "show", "questions")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed profile`."""
    parser.add_argument("action", choices=ACTIONS, help="new, improve, duty, show or questions")
    parser.add_argument(
        "file", nargs="?", metavar="FILE", help="the profile, NAME.toml; answers lie in NAME.answers.toml"
    )
    parser.add_argument(
        "topic", nargs="?", metavar="WHAT", help="with improve: what to measure, a name that show lists"
    )
    parser.add_argument("--answers", metavar="FILE", help="answer from a file; what it leaves out gets its default")
    parser.add_argument("--again", action="store_true", help="with new: replace a profile that is there already")


def run(args: argparse.Namespace) -> int:
    """Ask, and write; return the exit code."""
    import sys

    from drillfeed.daemon.survey.duty_questions import DUTY_QUESTIONS
    from drillfeed.daemon.survey.questions import QUESTIONS
    from drillfeed.daemon.validation import InvalidFile

    if args.action == "questions":
        for question in (*QUESTIONS, *DUTY_QUESTIONS):
            usual = "" if question.usual is None else f"   (default: {question.usual})"
            print(f"{question.id:<28} {question.unit or question.kind:<10} {question.text}{usual}")
        return WRITTEN
    if args.file is None:
        print(
            f"drillfeed profile: a FILE is needed. Next: drillfeed profile {args.action} my-thrower.toml",
            file=sys.stderr,
        )
        return MISTAKE
    try:
        return {"new": _new, "improve": _improve, "duty": _duty, "show": _show}[args.action](args)
    except (OSError, ValueError, InvalidFile) as error:
        print(f"drillfeed profile: {error}", file=sys.stderr)
        return MISTAKE


def _today() -> str:
    import datetime

    return datetime.date.today().isoformat()


def _path(text: str) -> "Path":
    from drillfeed.daemon.files import path_of

    path = path_of(text)
    return path if path.suffix == ".toml" else path.with_name(f"{path.name}.toml")


def _kept(path: "Path") -> "dict[str, Answer]":
    """Return the answers that are kept beside a profile; none if there are none."""
    from drillfeed.daemon.calibration import beside
    from drillfeed.daemon.files import NoFile, read_toml
    from drillfeed.daemon.survey.texts import answers_of

    file = beside(path, "answers")
    try:
        return answers_of(read_toml(file), str(file), _today())
    except NoFile:
        return {}


def _keep(path: "Path", answers: "Mapping[str, Answer]") -> None:
    from drillfeed.daemon.calibration import beside
    from drillfeed.daemon.survey.texts import answers_text

    beside(path, "answers").write_text(answers_text(answers), encoding="utf-8")


def _new(args: argparse.Namespace) -> int:
    from pathlib import Path

    from drillfeed.daemon.files import read_toml
    from drillfeed.daemon.survey.asking import course_from
    from drillfeed.daemon.survey.keys import keys_of
    from drillfeed.daemon.survey.texts import answers_of, profile_text

    path = _path(args.file)
    if path.exists() and not args.again:
        raise ValueError(f"{path} is there already. Next: drillfeed profile improve {path}, or --again to replace it")
    if args.answers:
        answers = answers_of(read_toml(Path(args.answers)), args.answers, _today(), defaults=True)
    else:
        course = _ask(course_from({} if args.again else _kept(path)), path)
        if course.question is not None:
            print(f"\nkept: {len(course.answers)} answers. Next: drillfeed profile new {args.file}, to go on from here")
            return LEFT
        answers = dict(course.answers)
    _keep(path, answers)
    return _written(path, profile_text(keys_of(answers)))


def _written(path: "Path", text: str) -> int:
    """Write a profile if it is valid, and tell what it comes to; raise InvalidFile if it is not."""
    from drillfeed.daemon.checking import machine_lines
    from drillfeed.daemon.files import toml_of
    from drillfeed.daemon.library.loading import load_machine
    from drillfeed.daemon.machine import Machine
    from drillfeed.daemon.validation import validate

    machine = validate(Machine, toml_of(text, path), str(path))
    path.write_text(text, encoding="utf-8")
    bases = [mark.basis for mark in machine.known.values()]
    told = ", ".join(f"{bases.count(basis)} {basis}" for basis in ("measured", "guessed", "default"))
    print(f"\nwritten: {path} ({told})\n")
    print("\n".join(machine_lines(load_machine(str(path)))))
    print(f"\nNext: drillfeed check {path}   (what its guesses cost, and what to measure next)")
    print(f"      drillfeed demo --machine {path}   (its first balls, on a simulated thrower)")
    return WRITTEN


def _ask(course: "Course", path: "Path | None", wanted: "Sequence[str] | None" = None) -> "Course":
    """Ask question after question until all are answered or the builder leaves; keep each answer beside the profile."""
    from dataclasses import replace

    from drillfeed.daemon.shell.output import ask
    from drillfeed.daemon.survey.asking import prompt_lines, prompt_text, take, wrapped

    section, shown = "", None
    print("Answer in plain figures; ? tells what you may type, quit leaves and keeps what you answered.")
    if course.answers and wanted is None:
        print(f"{len(course.answers)} answers from before are kept; going on from there (back changes them).")
    while course.question is not None:
        if wanted is not None and course.question.id not in wanted:
            return replace(course, question=None)
        if shown != course.question.id:
            print("\n".join(wrapped(prompt_lines(course, section))))
            section, shown = course.question.section, course.question.id
        try:
            line = ask(prompt_text(course.question))
        except EOFError:
            return replace(course, left=True)
        course = take(course, line, _today())
        print("".join(f"{line}\n" for line in wrapped(f"      {said}" for said in course.said)), end="")
        if course.left:
            return course
        if course.jog:
            _jog(course.jog)
        elif path is not None and not course.said:
            _keep(path, course.answers)
    return course


def _jog(words: "Sequence[str]") -> None:
    """Run `drillfeed jog` for the builder who typed it; it turns only while a key is held, at an armed machine."""
    from drillfeed.daemon.subcommands import jog

    print(f"      drillfeed jog {' '.join(words)}: q comes back here")
    parser = argparse.ArgumentParser(prog="drillfeed jog")
    jog.add_arguments(parser)
    if jog.run(parser.parse_args(list(words))):
        print("      it moved nothing: drillfeed serve and drillfeed drive must run with this machine, armed")


def _improve(args: argparse.Namespace) -> int:
    """Ask one topic again and change its keys in the file; the builder's other lines stay."""
    from drillfeed.daemon.files import read_text, read_toml, toml_of
    from drillfeed.daemon.library.loading import load_machine
    from drillfeed.daemon.survey.asking import course_from
    from drillfeed.daemon.survey.editing import edited
    from drillfeed.daemon.survey.keys import keys_of
    from drillfeed.daemon.survey.texts import answers_of
    from drillfeed.daemon.survey.topics import answers_from, wheels_alike

    path = _path(args.file)
    machine, alike = load_machine(str(path)), wheels_alike(read_toml(path))
    topic, kept = _topic(args, machine, alike), _kept(path)
    stands = answers_from(machine, alike)
    stands |= {id: answer for id, answer in kept.items() if id in topic.carried}
    others = {id: answer for id, answer in stands.items() if id not in topic.questions}
    if args.answers:
        fresh = answers_of(read_toml(_path(args.answers)), args.answers, _today(), True, others)
    else:
        print(f"{topic.name}: measured with {topic.tool}")
        course = _ask(course_from(others), None, topic.questions)
        if course.left:
            print("\nleft: the profile is as it was")
            return LEFT
        fresh = dict(course.answers)
    changed = topic.changed(keys_of(fresh))
    text, in_place = edited(read_text(path), changed, topic.gone(keys_of(fresh)), lambda text: toml_of(text, path))
    if not in_place:
        before = path.with_name(f"{path.name}.before-{_today()}")
        before.write_text(read_text(path), encoding="utf-8")
        print(f"the file is written anew, without its comments; as it was: {before}")
    status = _written(path, text)
    _keep(path, {**kept, **{id: fresh[id] for id in topic.questions if id in fresh}})
    return status


def _topic(args: argparse.Namespace, machine: "Machine", alike: bool) -> "Topic":
    """Return the topic that was named, or else the one that brings most; raise ValueError if there is none."""
    from drillfeed.daemon.guesses import guesses_of
    from drillfeed.daemon.library.loading import load_balls
    from drillfeed.daemon.survey.topics import basis_of, topics_of

    topics = {topic.name: topic for topic in topics_of(machine, alike)}
    if args.topic is None:
        guesses = guesses_of(machine, list(load_balls().values()), alike)
        if guesses is not None and guesses.gains:
            return guesses.gains[0].topic
        open_topics = [topic for topic in topics.values() if basis_of(topic, machine) != "measured"]
        if not open_topics:
            raise ValueError(f"everything is measured; to measure again, name what: {', '.join(topics)}")
        return open_topics[0]
    if args.topic not in topics:
        raise ValueError(f"nothing to measure is called {args.topic}; expected {', '.join(topics)}")
    return topics[args.topic]


def _show(args: argparse.Namespace) -> int:
    """List what can be measured and how each value is known."""
    from drillfeed.daemon.files import read_toml
    from drillfeed.daemon.library.loading import load_machine
    from drillfeed.daemon.survey.topics import listed, topics_of, wheels_alike

    path = _path(args.file)
    machine = load_machine(str(path))
    for topic in topics_of(machine, wheels_alike(read_toml(path))):
        print("\n".join(listed(topic, machine)))
    return WRITTEN


def _duty(args: argparse.Namespace) -> int:
    """Ask for the speeds at a few duties; write the driver's table, and the full speed with its plus-minus."""
    from drillfeed.daemon.subcommands.profile_duty import measured

    path = _path(args.file)
    found = measured(path, _path(args.answers) if args.answers else None, _today())
    if found is None:
        print("\nleft: nothing was written")
        return LEFT
    profile, file, text = found
    status = _written(path, profile)
    file.write_text(text, encoding="utf-8")
    print(f"duties: {file}   (drillfeed drive serial --port PORT --machine {path} --duty {file})")
    return status
