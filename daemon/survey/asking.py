"""The course of the guided set-up: one typed line in, the answers so far and what to say out.

Rule of this file: pure. The terminal and the file of answers go through the same `take`.
"""

import textwrap
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from drillfeed.daemon.survey.answers import SYNTAX, Answer, NotUnderstood, Question, as_typed
from drillfeed.daemon.survey.questions import BY_ID, asked, next_question
from drillfeed.daemon.survey.sense import Never, doubt

HELP, BACK, QUIT, JOG = ("?", "help"), "back", "quit", "jog"
WIDTH = 96
SURE = "Type the right figure, or the same with ! if it is right"


@dataclass(frozen=True)
class Course:
    """Hold the answers so far by question, in the order in which they came, and what is being asked."""

    answers: Mapping[str, Answer]
    question: Question | None
    said: tuple[str, ...] = ()
    left: bool = False
    jog: tuple[str, ...] = ()

    @property
    def place(self) -> tuple[int, int]:
        """Return the number of the question and how many there are, as far as the answers tell."""
        questions = [question.id for question in asked(self.answers)]
        number = questions.index(self.question.id) + 1 if self.question else len(questions)
        return number, len(questions)


def course_from(answers: Mapping[str, Answer]) -> Course:
    """Return the course that goes on from answers given before."""
    kept = {id: answer for id, answer in answers.items() if id in BY_ID}
    return Course(kept, next_question(kept))


def take(course: Course, line: str, today: str) -> Course:
    """Return the course after a typed line. What to say to it is in `said`; `today` is the day as YYYY-MM-DD."""
    question, word = course.question, line.strip().lower()
    assert question is not None
    if word in HELP:
        return replace(course, said=tuple(SYNTAX.splitlines()), jog=())
    if word == QUIT:
        return replace(course, said=(), left=True, jog=())
    if word == BACK:
        return _back(course)
    if word == JOG and jog_words(question, course.answers):
        return replace(course, said=(), jog=jog_words(question, course.answers))
    try:
        answer = as_typed(question, line, today)
    except NotUnderstood as error:
        return replace(course, said=(str(error),), jog=())
    odd = doubt(question.id, answer, course.answers)
    if isinstance(odd, Never) or (odd is not None and not answer.sure):
        again = "Type the right figure, or: back" if isinstance(odd, Never) else SURE
        return replace(
            course, said=(f"{odd[0].upper()}{odd[1:].rstrip('.')}{'' if odd.endswith('?') else '.'} {again}.",), jog=()
        )
    answers = {**course.answers, question.id: answer}
    return Course(answers, next_question(answers))


def _back(course: Course) -> Course:
    """Return to the question before, whose answer is forgotten, and with it those that only follow from it."""
    given = [question.id for question in asked(course.answers) if question.id in course.answers]
    if not given:
        return replace(course, said=("this is the first question",), jog=())
    answers = {id: answer for id, answer in course.answers.items() if id != given[-1]}
    reachable = {question.id for question in asked(answers)}
    answers = {id: answer for id, answer in answers.items() if id in reachable}
    return Course(answers, BY_ID[given[-1]])


def prompt_lines(course: Course, section: str) -> list[str]:
    """Return the lines that ask the present question; its section's heading if `section` is another one."""
    question = course.question
    assert question is not None
    number, of = course.place
    lines = ["", f"== {question.section}"] if question.section != section else [""]
    lines.append(f"{number}/{of}  {question.text}")
    if question.how:
        lines.append(f"      {question.how}")
    lines += [f"      {place}  {name}: {what}" for place, (name, what) in enumerate(question.choices.items(), 1)]
    if words := jog_words(question, course.answers):
        lines.append(f"      At an armed machine, type jog to hold a key and move it: jog {' '.join(words)}")
    return lines


def jog_words(question: Question, answers: Mapping[str, Answer]) -> tuple[str, ...]:
    """Return what `drillfeed jog` takes for the measuring step of a question, empty if it has none or is too soon."""
    if question.jog not in answers:
        return ()
    return ("tilt", f"{answers[question.jog].number:g}")


def wrapped(lines: Iterable[str]) -> Iterator[str]:
    """Yield lines broken for a plain terminal, indented as they began."""
    for line in lines:
        begins = line[: len(line) - len(line.lstrip())]
        yield from textwrap.wrap(line, WIDTH, subsequent_indent=begins or "      ", replace_whitespace=False) or [line]


def prompt_text(question: Question) -> str:
    """Return the short prompt behind which the answer is typed."""
    unit = "yes/no" if question.kind == "yes-no" else question.unit
    usual = question.usual
    told = None if usual is None else "don't know" if question.kind == "number" and usual == "0" else usual
    if told is None:
        return f"      {unit}> " if unit else "      > "
    return f"      {unit} [Enter: {told}]> ".replace("  [", " [") if unit else f"      [Enter: {told}]> "
