"""What can be measured again by itself: which questions belong together, and which keys of the profile they make.

Rule of this file: a table, and the answers that stand for a profile whose own answers are not kept.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from drillfeed.daemon.known import Basis
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.survey.answers import NO, YES, Answer, as_typed
from drillfeed.daemon.survey.keys import Key
from drillfeed.daemon.survey.questions import QUESTIONS, TIMED
from drillfeed.daemon.survey.wheel_questions import ACROSS, ALIKE, BOTH, EACH, GUESS
from drillfeed.daemon.wheel import Wheel


@dataclass(frozen=True)
class Topic:
    """Hold one measurement: its name, the ids of its questions in order, the keys that it makes, and what it takes."""

    name: str
    questions: tuple[str, ...]
    keys: tuple[str, ...]
    tool: str
    carried: tuple[str, ...] = ()
    follow: tuple[str, ...] = ()
    replaced: tuple[str, ...] = ()

    def changed(self, keys: Sequence[Key]) -> list[Key]:
        """Return the keys that change: its own, and those that follow from it and from readings that were kept."""
        return [
            key for key in keys
            if key.path in self.keys or (key.path in self.follow and key.known and key.known.basis == "measured")
        ]  # fmt: skip

    def gone(self, keys: Sequence[Key]) -> list[str]:
        """Return its keys that the profile no longer has."""
        made = {key.path for key in keys}
        return [path for path in (*self.keys, *self.replaced) if path not in made]


_WHEEL = (
    ("diameter", ("width_way", "across", "round"), ("diameter_mm",), "a ruler"),
    (
        "full-speed",
        ("speed_way", "tachometer", "fps", "turns", "frames", "motor", "gear", "guess"),
        ("high_rpm",),
        "a phone's slow motion or a tachometer",
    ),
    ("slowest", ("slowest",), ("low_rpm",), "eyes and ears"),
    ("run-up", ("half_s", "full_s"), ("up_mps2",), "a phone's slow motion or a stopwatch"),
    (
        "slowing",
        ("brake", "braked_s", "coast_half_s", "rest_s"),
        ("brake", "down_mps2", "quick_mps2", "coast_time_constant_s", "spin_down_s"),
        "a stopwatch",
    ),
    ("mass", ("mass_g",), ("inertia_kg_m2",), "a kitchen scale"),
)
_OTHERS = (
    Topic("tilt-angles", ("tilt.low", "tilt.high"), ("tilt.low_deg", "tilt.high_deg"), "a phone's level"),
    Topic("tilt-time", ("tilt.travel_s",), ("tilt.slew_deg_per_s",), "a stopwatch"),
    Topic("tilt-play", ("tilt.play",), ("tilt.play_deg",), "a phone's level"),
    Topic(
        "tilt-drift", ("tilt.by_time", "tilt.moves", "tilt.drifted"), ("tilt.by_time", "tilt.drift_deg_per_move"),
        "a phone's level",
    ),
    Topic("height", ("opening.height",), ("opening.height_m",), "a ruler"),
    Topic("distance", ("opening.behind",), ("opening.behind_end_line_m",), "a ruler"),
    Topic("pivot", ("opening.pivot",), ("opening.pivot_to_opening_m",), "a ruler"),
    Topic(
        "rate", ("feeder.seconds", "feeder.turns", "feeder.slowest"),
        ("feeder.high_balls_per_min", "feeder.low_balls_per_min"), "a stopwatch",
    ),
    Topic(
        "latency", ("feeder.fps", "feeder.frames_1", "feeder.frames_2", "feeder.frames_3"),
        ("feeder.latency_s", "feeder.spread_s"), "a phone's slow motion",
    ),
    Topic(
        "drift", ("feeder.drift_turns", "feeder.drift_1", "feeder.drift_2", "feeder.drift_3"),
        ("feeder.phase_error_per_turn",), "a protractor at the crank",
    ),
    Topic(
        "battery", ("supply.seen", "supply.low", "supply.high"), ("supply.low_v", "supply.high_v"), "a multimeter",
        follow=("wheels.sag_share", "wheels.top.sag_share", "wheels.bottom.sag_share"),
    ),
)  # fmt: skip


OF_MOTOR = ("motor_low_rpm", "motor_high_rpm", "gear_ratio")  # the other way of giving a wheel's speeds
_CARRIED = ("half_s", "full_s", "braked_s", "mass_g")
_FOLLOW = {
    "diameter": ("up_mps2", "down_mps2", "quick_mps2", "inertia_kg_m2"),
    "full-speed": ("up_mps2", "down_mps2", "quick_mps2"),
}


def topics_of(machine: Machine, alike: bool) -> Iterator[Topic]:
    """Yield the topics of a machine, those of the wheels once if both are alike."""
    for part in (BOTH,) if alike else EACH:
        wheel = machine.bottom if part.endswith("bottom") else machine.top
        of_motor = wheel.motor_high_rpm is not None
        for name, questions, keys, tool in _WHEEL:
            side = "" if part == BOTH else f"{part.removeprefix('wheels.')}-"
            follow = _FOLLOW.get(name, ())
            made: tuple[str, ...] = keys
            replaced: tuple[str, ...] = ()
            if of_motor and name in ("full-speed", "slowest"):
                made, replaced = ("low_rpm", "high_rpm"), OF_MOTOR
            yield Topic(
                side + name, _under(part, questions), _under(part, made), tool,
                _under(part, _CARRIED if follow else ()), _under(part, follow), _under(part, replaced),
            )  # fmt: skip
    yield from (topic for topic in _OTHERS if topic.name != "drift" or machine.feeder.kind == TIMED)


def _under(part: str, names: Sequence[str]) -> tuple[str, ...]:
    return tuple(f"{part}.{name}" for name in names)


def basis_of(topic: Topic, machine: Machine) -> Basis | None:
    """Return the worst basis of a topic's keys, None if the profile marks none of them."""
    bases = {found[1].basis for key in topic.keys if (found := machine.known_of(key)) is not None}
    worst: tuple[Basis, ...] = ("default", "guessed", "measured")
    return next((basis for basis in worst if basis in bases), None)


def listed(topic: Topic, machine: Machine) -> list[str]:
    """Return a topic as lines: what it takes, then each key with its value and how it is known."""
    lines = [f"{topic.name}  ({topic.tool})"]
    for path in topic.keys:
        value = value_of(machine, path)
        if value is None:
            continue
        found = machine.known_of(path)
        off = "" if found is None or found[1].plus_minus is None else f" +- {found[1].plus_minus:g}"
        told = "not marked" if found is None else found[1].text
        number = f"{value:g}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)
        lines.append(f"  {path} = {number}{off}: {told}")
    return lines


def value_of(machine: Machine, path: str) -> Any:
    """Return the value of a key by its path, that of the top wheel for a key of both; None if the machine lacks it."""
    head, *rest = path.split(".")
    if head == "wheels":
        rest = rest if rest[0] in ("top", "bottom") else ["top", *rest]
        head, rest = rest[0], rest[1:]
    found: Any = getattr(machine, head)
    for name in rest:
        found = getattr(found, name, None)
    return found


def wheels_alike(data: Mapping[str, Any]) -> bool:
    """Tell from a profile's data whether both wheels are described once."""
    wheels = data.get("wheels", {})
    return isinstance(wheels, dict) and not {"top", "bottom"} & (wheels.keys() | data.keys())


def answers_from(machine: Machine, alike: bool) -> dict[str, Answer]:
    """Return answers that stand for a profile: what its questions would have been answered, without the readings."""
    found: dict[str, Answer] = {ALIKE: Answer(YES if alike else NO)}
    for part in (BOTH,) if alike else EACH:
        wheel = machine.bottom if part.endswith("bottom") else machine.top
        found |= {f"{part}.{id}": answer for id, answer in _of_wheel(wheel).items()}
    tilt, opening, feeder = machine.tilt, machine.opening, machine.feeder
    travel_s = (tilt.high_deg - tilt.low_deg) / tilt.slew_deg_per_s
    readings = {
        "tilt.low": tilt.low_deg, "tilt.high": tilt.high_deg, "tilt.travel_s": travel_s, "tilt.play": tilt.play_deg,
        "opening.height": 100 * opening.height_m, "opening.behind": 100 * opening.behind_end_line_m,
        "opening.pivot": 100 * opening.pivot_to_opening_m, "feeder.seconds": 60.0,
        "feeder.turns": feeder.high_balls_per_min, "feeder.slowest": feeder.low_balls_per_min,
        "hopper.balls": float(machine.hopper.balls),
    }  # fmt: skip
    words = {
        "name": machine.name, "title": machine.title, "feeder.kind": feeder.kind,
        "hopper.agitator": _yes(machine.hopper.agitator), "sensors.speed": _yes(machine.sensors.speed_feedback),
        "sensors.exit": _yes(machine.sensors.exit_sensor), "supply.seen": _yes(machine.supply is not None),
    }  # fmt: skip
    found |= {id: _guess(value) for id, value in readings.items()} | {id: Answer(word) for id, word in words.items()}
    found["tilt.by_time"] = Answer(_yes(tilt.by_time))
    found["tilt.moves"], found["tilt.drifted"] = _guess(20.0), _guess(20.0**0.5 * tilt.drift_deg_per_move)
    if machine.supply is not None:
        found |= {"supply.low": _guess(machine.supply.low_v), "supply.high": _guess(machine.supply.high_v)}
    if feeder.kind == TIMED:
        found["feeder.drift_turns"] = _guess(20.0)
        off_deg = 360.0 * 20.0 * feeder.phase_error_per_turn
        found |= {f"feeder.drift_{place}": _guess(off_deg) for place in (1, 2, 3)}
    return _with_defaults(found)


def _of_wheel(wheel: Wheel) -> dict[str, Answer]:
    half_s = 0.0
    if wheel.coast_time_constant_s is not None:
        friction, high = wheel.coast_friction_rpm, wheel.highest_rpm
        half_s = wheel.coast_time_constant_s * math.log((high + friction) / (high / 2 + friction))
    found = {
        "width_way": Answer(ACROSS), "across": _guess(wheel.diameter_mm), "speed_way": Answer(GUESS),
        "guess": _guess(wheel.highest_rpm), "slowest": _guess(wheel.lowest_rpm), "reverse": Answer(_yes(wheel.reverse)),
        "brake": Answer(YES if wheel.brake == "yes" else NO), "rest_s": _guess(wheel.spin_down_s),
        "coast_half_s": _guess(half_s),
    }  # fmt: skip
    if wheel.down_mps2 is not None:
        found["braked_s"] = _guess(wheel.rim_mps(wheel.highest_rpm) / wheel.down_mps2)
    return found


def _guess(value: float) -> Answer:
    basis: Basis = "guessed"
    return Answer(float(value), basis)


def _yes(value: bool) -> str:
    return YES if value else NO


def _with_defaults(answers: Mapping[str, Answer]) -> dict[str, Answer]:
    usual = {question.id: as_typed(question, "") for question in QUESTIONS if question.usual is not None}
    return {**usual, **answers}
