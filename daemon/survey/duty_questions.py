"""The questions about a wheel's speed at a few duties, for a machine whose board is told duties, and the file of them.

Rule of this file: pure. The file is what `drillfeed drive serial --duty` reads.
"""

from collections.abc import Mapping

from drillfeed.daemon.survey.answers import Answer, Question
from drillfeed.daemon.survey.texts import quoted, toml_value

PERCENTS = (25, 50, 75, 100)
WHEELS = ("top", "bottom")
VOLTS = "duty.volts"
HOW = (
    "Let the board drive it at this duty, no ball, until it no longer gets faster. A tachometer; or a mark and a "
    "video: 60 x turns x frames a second / frames."
)
READING_RPM = 30.0

DUTY_QUESTIONS: tuple[Question, ...] = (
    Question(
        VOLTS, "Battery", "Which voltage does the battery have now?", "A multimeter at its terminals, wheels running.",
        unit="V", tool="multimeter", reading=0.1, low=1, high=100,
    ),
    *(
        Question(
            f"duty.{wheel}_{percent}", "Wheels by duty", f"How fast is the {wheel} wheel at {percent} % duty?", HOW,
            unit="rpm", tool="tachometer", reading=READING_RPM, low=1, high=100_000,
        )
        for wheel in WHEELS
        for percent in PERCENTS
    ),
)  # fmt: skip


def speeds(answers: Mapping[str, Answer], wheel: str) -> tuple[float, ...]:
    """Return a wheel's speeds in rpm at the duties of `PERCENTS`."""
    return tuple(answers[f"duty.{wheel}_{percent}"].number for percent in PERCENTS)


def reading_rpm(answers: Mapping[str, Answer]) -> float:
    """Return the plus-minus of the worst reading in rpm."""
    offs = [answers[f"duty.{wheel}_{percent}"].plus_minus for wheel in WHEELS for percent in PERCENTS]
    return max(READING_RPM if off is None else off for off in offs)


def duty_text(answers: Mapping[str, Answer], day: str) -> str:
    """Return the file of duties as text."""
    duties = ", ".join(toml_value(percent / 100) for percent in PERCENTS)
    lines = [
        "# Written by drillfeed profile duty: which duty makes which speed, at this voltage.",
        f"measured_on = {quoted(day)}",
        f"volts = {toml_value(answers[VOLTS].number)}",
        f"plus_minus_rpm = {toml_value(reading_rpm(answers))}",
    ]
    for wheel in WHEELS:
        rpm = ", ".join(toml_value(speed) for speed in speeds(answers, wheel))
        lines += ["", f"[{wheel}]", f"duty = [{duties}]", f"rpm = [{rpm}]"]
    return "\n".join(lines) + "\n"
