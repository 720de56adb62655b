"""Sense checks: which answers look like another figure than the one that was asked for, and which one that may be.

Rule of this file: pure, rows of a table. The builder may type an odd figure again with `!` and keep it, unless no
profile can have it.
"""

import math
import re
from collections.abc import Callable, Mapping

from drillfeed.daemon.survey import sums
from drillfeed.daemon.survey.answers import YES, Answer
from drillfeed.daemon.survey.keys import diameter_of, full_speed_of
from drillfeed.daemon.survey.questions import TIMED

Check = Callable[[Answer, Mapping[str, Answer], str], str | None]
# What is usual of home builds, by common practice (no source): outside it a figure is doubted, not refused.
WHEEL_MM = (40.0, 130.0)
RIM_MPS = (5.0, 25.0)
NAME = re.compile("[a-z0-9][a-z0-9-]{0,39}")


class Never(str):
    """A doubt about an answer that no profile can have, however sure the builder is."""


def _width(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    low, high = WHEEL_MM
    if answer.number < low:
        return (
            f"a wheel of {answer.number:g} mm is small. Is it the radius, from the axle to the edge? "
            f"Then type {2 * answer.number:g}"
        )
    if answer.number > high:
        round_mm = answer.number / math.pi
        return f"a wheel of {answer.number:g} mm is big. Is it the way round? Then it is {round_mm:.1f} mm across"
    return None


def _round(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    across = answer.number / math.pi
    if across < WHEEL_MM[0]:
        return f"that makes a wheel of {across:.1f} mm across, which is small. Is {answer.number:g} the width across?"
    return None


def _frames(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    turns = answers[f"{part}.turns"].number
    per_turn = sums.frames_per_turn(turns, answer.number)
    if per_turn < 3.0:
        return (
            f"{per_turn:.1f} frames a turn are too few: the mark may have turned further than it seems. "
            "Film with more frames a second, or measure with a tachometer"
        )
    return _full_speed(answer, answers, part)


def _full_speed(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    rpm, diameter = full_speed_of(answers, part).value, diameter_of(answers, part).value
    rim_mps = rpm / 60 * math.pi * diameter / 1000
    told = f"{rpm:,.0f} rpm on a {diameter:g} mm wheel is {rim_mps:.1f} m/s at the rim"
    if rim_mps > RIM_MPS[1]:
        return f"{told}, more than such throwers reach. Is it the motor's speed, before the gear?"
    if rim_mps < RIM_MPS[0]:
        return f"{told}, too slow to throw a ball over the net. Is it the motor's speed, before it is geared up?"
    return None


def _slowest(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    rpm = full_speed_of(answers, part).value
    if answer.number > 0.5 * rpm:
        return f"that is more than half of full speed ({rpm:,.0f} rpm); the slowest even speed is asked here"
    return None


def _run_up_half(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    if answer.number > 20:
        return "over twenty seconds to half speed is very slow. In seconds, not in frames?"
    return None


def _full_s(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    half_s = answers[f"{part}.half_s"].number
    if answer.basis == "default" or not half_s:
        return None
    if answer.number <= half_s:
        return Never(f"full speed comes after half speed, which you had after {half_s:g} s")
    if answer.number < 1.6 * half_s:
        return f"a motor pulls less the faster it turns, so full speed takes at least twice {half_s:g} s as a rule"
    return None


def _rest_s(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    half = answers.get(f"{part}.coast_half_s")
    if half is None or not half.number or answer.basis == "default":
        return None
    if answer.number <= half.number:
        return Never(f"rest comes after half speed, which you had after {half.number:g} s")
    if half.number > 0.5 * answer.number:
        return f"a wheel loses the first half of its speed sooner than the second; {half.number:g} s is late for half"
    return None


def _mass(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    if answer.basis != "default" and not 5 <= answer.number <= 1000:
        return f"{answer.number:g} g for one wheel is unusual. One wheel with its hub, in grams?"
    return None


def _tilt_low(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    if not -45 <= answer.number <= 30:
        return f"{answer.number:g} degrees at the lower stop is unusual. Level is 0, up is positive"
    return None


def _tilt_high(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    low = answers["tilt.low"].number
    if answer.number <= low:
        return Never(f"the upper stop is above the lower one, which you had at {low:g} degrees")
    if answer.number > 75:
        level = 90 - answer.number
        return f"{answer.number:g} degrees is nearly straight up. From the vertical? Then it is {level:g}"
    return None


def _travel(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    span = answers["tilt.high"].number - answers["tilt.low"].number
    if not 2 <= span / answer.number <= 400:
        return (
            f"{span:g} degrees in {answer.number:g} s is {span / answer.number:.1f} degrees a second, which is unusual"
        )
    return None


def _height(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    if answer.number > 70:
        return f"{answer.number:g} cm above the table is high. From the floor? Then type {answer.number - 76:g}"
    if 0 < answer.number < 3:
        return "a ball needs 2 cm for itself above the table. In centimetres, not in metres?"
    return None


def _behind(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    if answer.number > 90:
        return f"{answer.number:g} cm behind the end line is far. From the net? Then type {answer.number - 137:g}"
    if 0 < answer.number < 1:
        return "in centimetres, not in metres?"
    return None


def _turns(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    rate = sums.per_minute(answer.number, answers["feeder.seconds"].number).value
    if not 12 <= rate <= 120:
        usual = "a ball a second down to one in three seconds is usual"
        return f"{answer.number:g} in {answers['feeder.seconds'].number:g} s is {rate:.0f} a minute; {usual}"
    return None


def _feeder_slowest(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    rate = sums.per_minute(answers["feeder.turns"].number, answers["feeder.seconds"].number).value
    if answer.number >= rate:
        return Never(f"that is no fewer than the most, {rate:.0f} a minute")
    return None


def _latency(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    seconds = answer.number / answers["feeder.fps"].number
    if answer.basis != "default" and not 0.03 <= seconds <= 1.5:
        return f"{answer.number:g} frames are {seconds:.2f} s; a tenth to half a second is usual"
    return None


def _drift(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    assert answers["feeder.kind"].value == TIMED
    if answer.number > 90:
        return f"{answer.number:g} degrees is over a quarter turn: look after fewer turns, or mend the crank's time"
    return None


def _supply(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    low_v = answers["supply.low"].number
    if answers["supply.seen"].value == YES and not low_v * answer.number:
        return Never("the board tells the voltage, so the daemon needs both limits of the battery: back, or a guess")
    if answer.number and low_v and answer.number <= low_v:
        return Never(f"a full battery has more than an empty one, which you had at {answers['supply.low'].number:g} V")
    return None


def _name(answer: Answer, answers: Mapping[str, Answer], part: str) -> str | None:
    said = str(answer.value)
    if NAME.fullmatch(said):
        return None
    plain = "-".join(re.findall("[a-z0-9]+", said.lower()))[:40].strip("-") or "my-thrower"
    return Never(f"a name has small letters, digits and dashes: type {plain}")


CHECKS: Mapping[str, Check] = {
    "name": _name,
    "across": _width, "round": _round, "frames": _frames, "tachometer": _full_speed, "gear": _full_speed,
    "guess": _full_speed, "slowest": _slowest, "half_s": _run_up_half, "full_s": _full_s, "rest_s": _rest_s,
    "mass_g": _mass, "tilt.low": _tilt_low, "tilt.high": _tilt_high, "tilt.travel_s": _travel,
    "opening.height": _height, "opening.behind": _behind, "feeder.turns": _turns, "feeder.slowest": _feeder_slowest,
    "feeder.frames_1": _latency, "feeder.frames_2": _latency, "feeder.frames_3": _latency,
    "feeder.drift_1": _drift, "feeder.drift_2": _drift, "feeder.drift_3": _drift, "supply.high": _supply,
}  # fmt: skip
"""By the question's id, or for wheels by what follows the wheel's name."""


def doubt(id: str, answer: Answer, answers: Mapping[str, Answer]) -> str | None:
    """Return what is odd about an answer, None if nothing is; `answers` are those before it, and it."""
    part, _, rest = id.rpartition(".")
    check = CHECKS.get(id) or (CHECKS.get(rest) if part.startswith("wheels") else None)
    return None if check is None else check(answer, {**answers, id: answer}, part)
