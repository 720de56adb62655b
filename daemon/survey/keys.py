"""From answers to the keys of a machine profile, each with how it is known.

Rule of this file: pure. Every key that is written is marked; what nobody measured is marked as guessed or default.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from drillfeed.daemon.known import Basis, Known
from drillfeed.daemon.survey import sums
from drillfeed.daemon.survey.answers import YES, Answer
from drillfeed.daemon.survey.questions import BY_ID, NAME, TIMED, TITLE
from drillfeed.daemon.survey.wheel_questions import ALIKE, BOTH, EACH, GUESS, LABEL, ROUND, TACHOMETER, VIDEO

# Values of ours for home builds where nothing was measured: common practice, no source.
USUAL_UP_MPS2, USUAL_COAST_S, USUAL_REST_S = 5.0, 2.0, 8.0
USUAL_SLOWEST_SHARE = 0.1
USUAL_LATENCY_S, USUAL_SPREAD_S = 0.3, 0.05
SETTLING = {True: {"wheels_s": 0.1, "tilt_s": 0.1}, False: {"wheels_s": 0.25, "tilt_s": 0.2}}
SCATTER = {
    True: {"speed_share": 0.01, "spin_share": 0.02, "angle_deg": 0.4},
    False: {"speed_share": 0.015, "spin_share": 0.03, "angle_deg": 0.6},
}
FINEST_DRIFT_DEG = 0.2  # a phone's level reads no finer
LOWEST_DRIFT_DEG = 2.0  # a protractor at a crank reads no finer
BATTERY_OFF_V = 0.2
HOUSE = "a usual value"


@dataclass(frozen=True)
class Key:
    """Hold one key of the profile: its path in the file, its value, and how it is known; None if that says nothing."""

    path: str
    value: Any
    known: Known | None = None


Answers = Mapping[str, Answer]


def keys_of(answers: Answers) -> list[Key]:
    """Return every key of the profile, in the order in which the file has them. All questions must be answered."""
    return [
        *_about(answers),
        *_wheels(answers),
        *_tilt(answers),
        *_opening(answers),
        *_feeder(answers),
        *_rest(answers),
    ]


def _about(answers: Answers) -> Iterator[Key]:
    yield Key("name", answers[NAME].value)
    yield Key("title", answers[TITLE].value)


def _known(figure: sums.Figure | None, how: str, *given: Answer) -> Known:
    """Return how a value is known that was worked out from some answers: as badly as the worst of them."""
    bases = {answer.basis for answer in given}
    worst: Basis = "guessed" if "guessed" in bases else "default" if "default" in bases else "measured"
    days = sorted(answer.when for answer in given if answer.when)
    off = None if figure is None or worst != "measured" else _digits(figure.plus_minus)
    return Known(
        basis=worst, how=how if worst == "measured" else "", when=days[-1] if days and worst != "default" else None,
        plus_minus=off,
    )  # fmt: skip


def _digits(number: float, digits: int = 4) -> float:
    return float(f"{number:.{digits}g}")


def _read(path: str, answer: Answer, id: str, factor: float = 1.0) -> Key:
    """Return a key that is an answer itself, in other units by `factor`."""
    off = None if answer.plus_minus is None else sums.Figure(answer.number, answer.plus_minus * factor)
    known = _known(off, BY_ID[id].tool, answer)
    if answer.basis == "guessed" and off is not None:
        known = replace_known(known, plus_minus=_digits(off.plus_minus))
    return Key(path, _digits(answer.number * factor, 6), known)


def replace_known(known: Known, **changes: Any) -> Known:
    """Return the same with some fields changed."""
    return known.model_copy(update=changes)


def _wheels(answers: Answers) -> Iterator[Key]:
    low, high = answers["supply.low"], answers["supply.high"]
    for part in (BOTH,) if answers[ALIKE].value == YES else EACH:
        yield from _wheel(answers, part)
        if low.number and high.number and answers["sensors.speed"].value != YES:
            sag = sums.sag_of(high.number, low.number, BATTERY_OFF_V)
            how = f"a battery of {high.number:g} V full and {low.number:g} V empty"
            yield Key(f"{part}.sag_share", _digits(sag.value, 3), _known(sag, how, low, high))


def diameter_of(answers: Answers, part: str) -> Key:
    """Return the key of a wheel's diameter."""
    if answers[f"{part}.width_way"].value == ROUND:
        strip = answers[f"{part}.round"]
        found = sums.diameter_of_round(strip.number, strip.plus_minus or 0.0)
        return Key(f"{part}.diameter_mm", _digits(found.value), _known(found, BY_ID[f"{part}.round"].tool, strip))
    return _read(f"{part}.diameter_mm", answers[f"{part}.across"], f"{part}.across")


def full_speed_of(answers: Answers, part: str) -> Key:
    """Return the key of a wheel's highest speed."""
    path, way = f"{part}.high_rpm", answers[f"{part}.speed_way"].value
    if way == TACHOMETER:
        return _read(path, answers[f"{part}.tachometer"], f"{part}.tachometer")
    if way == GUESS:
        answer = answers[f"{part}.guess"]
        return _read(path, replace(answer, basis="guessed"), f"{part}.guess")
    if way == LABEL:
        motor, gear = answers[f"{part}.motor"], answers[f"{part}.gear"]
        found = sums.wheel_rpm_of_motor(motor.number, gear.number)
        known = _known(None, "", replace(motor, basis="guessed"), gear)
        label = replace_known(known, how="the motor's label, times the gear", plus_minus=_digits(found.plus_minus))
        return Key(path, _digits(found.value, 6), label)
    assert way == VIDEO
    fps, turns, frames = (answers[f"{part}.{name}"] for name in ("fps", "turns", "frames"))
    found = sums.rpm_of_frames(turns.number, frames.number, fps.number)
    how = f"{turns.number:g} turns in {frames.number:g} frames of a video at {fps.number:g} fps"
    return Key(path, _digits(found.value, 6), _known(found, how, fps, turns, frames))


def _wheel(answers: Answers, part: str) -> Iterator[Key]:
    def of(name: str) -> Answer:
        return answers[f"{part}.{name}"]

    diameter, fastest = diameter_of(answers, part), full_speed_of(answers, part)
    yield diameter
    slowest = of("slowest")
    if slowest.basis == "default":
        yield Key(f"{part}.low_rpm", round(USUAL_SLOWEST_SHARE * fastest.value), _usual())
    else:
        yield _read(f"{part}.low_rpm", slowest, f"{part}.slowest")
    yield fastest
    yield Key(f"{part}.reverse", of("reverse").value == YES)
    rim_mps = fastest.value / 60 * diameter.value / 1000 * 3.141592653589793
    half, full = of("half_s"), of("full_s")
    if 0 < half.number < full.number:
        off_s = max(half.plus_minus or 0.1, full.plus_minus or 0.1)
        run_up = sums.run_up_mps2(rim_mps, half.number, full.number, off_s)
        how = f"half speed after {half.number:g} s, full after {full.number:g} s"
        yield Key(f"{part}.up_mps2", _digits(run_up.value), _known(run_up, how, half, full))
    else:
        yield Key(f"{part}.up_mps2", USUAL_UP_MPS2, _usual())
    yield from _slowing(answers, part, rim_mps)
    mass = of("mass_g")
    inertia = sums.inertia_kgm2(mass.number, diameter.value)
    known = _known(inertia, "kitchen scale and the diameter, between a disc and a ring", mass)
    yield Key(f"{part}.inertia_kg_m2", _digits(inertia.value, 3), known)


def _usual() -> Known:
    return Known(basis="default", how=HOUSE)


def _slowing(answers: Answers, part: str, rim_mps: float) -> Iterator[Key]:
    rest = answers[f"{part}.rest_s"]
    rest_s = rest.number or USUAL_REST_S
    if answers[f"{part}.brake"].value == YES:
        braked = answers[f"{part}.braked_s"]
        rate = rim_mps / braked.number
        found = sums.Figure(rate, rate * (braked.plus_minus or 0.2) / braked.number)
        known = _known(found, f"from full speed to rest in {braked.number:g} s", braked)
        yield Key(f"{part}.brake", "yes")
        yield Key(f"{part}.down_mps2", _digits(rate), known)
        yield Key(f"{part}.quick_mps2", _digits(rate), known)
    else:
        half = answers[f"{part}.coast_half_s"]
        yield Key(f"{part}.brake", "none")
        if 0 < half.number < rest_s and rest.basis != "default":
            off_s = half.plus_minus or 0.1
            coast = sums.coast_constant_s(half.number, rest_s, off_s)
            how = f"half speed after {half.number:g} s, at rest after {rest_s:g} s"
            yield Key(f"{part}.coast_time_constant_s", _digits(coast.value, 3), _known(coast, how, half, rest))
        else:
            yield Key(f"{part}.coast_time_constant_s", _digits(rest_s * USUAL_COAST_S / USUAL_REST_S), _usual())
    if rest.basis == "default":
        yield Key(f"{part}.spin_down_s", USUAL_REST_S, _usual())
    else:
        yield _read(f"{part}.spin_down_s", rest, f"{part}.rest_s")


def _tilt(answers: Answers) -> Iterator[Key]:
    low, high, way = answers["tilt.low"], answers["tilt.high"], answers["tilt.travel_s"]
    yield _read("tilt.low_deg", low, "tilt.low")
    yield _read("tilt.high_deg", high, "tilt.high")
    found = sums.degrees_per_second(low.number, high.number, way.number, way.plus_minus or 0.4)
    how = f"{high.number - low.number:g} degrees in {way.number:g} s"
    yield Key("tilt.slew_deg_per_s", _digits(found.value), _known(found, how, way))
    yield _read("tilt.play_deg", answers["tilt.play"], "tilt.play")
    by_time = answers["tilt.by_time"].value == YES
    yield Key("tilt.by_time", by_time)
    if by_time:
        moves, off = answers["tilt.moves"], answers["tilt.drifted"]
        drift = sums.drift_per_move(max(off.number, FINEST_DRIFT_DEG), moves.number, off.plus_minus or 0.5)
        how = f"{off.number:g} degrees off after {moves.number:g} moves"
        yield Key("tilt.drift_deg_per_move", _digits(drift.value, 3), _known(drift, how, off))


def _opening(answers: Answers) -> Iterator[Key]:
    yield _read("opening.height_m", answers["opening.height"], "opening.height", 0.01)
    yield _read("opening.behind_end_line_m", answers["opening.behind"], "opening.behind", 0.01)
    yield _read("opening.pivot_to_opening_m", answers["opening.pivot"], "opening.pivot", 0.01)


def _feeder(answers: Answers) -> Iterator[Key]:
    yield Key("feeder.kind", answers["feeder.kind"].value)
    fps = answers["feeder.fps"].number
    videos = [answers[f"feeder.frames_{place}"] for place in (1, 2, 3)]
    frames = tuple(video.number for video in videos if video.number > 0)
    if frames:
        latency, spread = sums.latency_of_frames(frames, fps)
        how = f"{len(frames)} videos at {fps:g} fps"
        counted = [video for video in videos if video.number > 0]
        yield Key("feeder.latency_s", _digits(latency.value), _known(latency, how, *counted))
        yield Key("feeder.spread_s", _digits(spread.value, 3), _known(spread, how, *counted))
    else:
        yield Key("feeder.latency_s", USUAL_LATENCY_S, _usual())
        yield Key("feeder.spread_s", USUAL_SPREAD_S, _usual())
    turns, seconds = answers["feeder.turns"], answers["feeder.seconds"]
    if answers["feeder.slowest"].number:
        yield _read("feeder.low_balls_per_min", answers["feeder.slowest"], "feeder.slowest")
    rate = sums.per_minute(turns.number, seconds.number)
    how = f"{turns.number:g} turns counted in {seconds.number:g} s"
    yield Key("feeder.high_balls_per_min", _digits(rate.value), _known(rate, how, turns))
    if answers["feeder.kind"].value == TIMED:
        yield _phase(answers)


def _phase(answers: Answers) -> Key:
    readings = [answers[f"feeder.drift_{place}"] for place in (1, 2, 3)]
    turns = answers["feeder.drift_turns"].number
    offs = tuple(max(abs(reading.number), LOWEST_DRIFT_DEG) for reading in readings)
    found = sums.phase_error(offs, turns)
    listed = ", ".join(f"{reading.number:g}" for reading in readings)
    how = f"{listed} degrees off the mark after {turns:g} turns"
    return Key("feeder.phase_error_per_turn", _digits(found.value, 3), _known(found, how, *readings))


def _rest(answers: Answers) -> Iterator[Key]:
    balls = answers["hopper.balls"]
    yield _read("hopper.balls", balls, "hopper.balls")
    yield Key("hopper.low_at", max(int(balls.number / 5), 1) if balls.number > 1 else 0)
    yield Key("hopper.agitator", answers["hopper.agitator"].value == YES)
    seen = answers["sensors.speed"].value == YES
    yield Key("sensors.speed_feedback", seen)
    yield Key("sensors.exit_sensor", answers["sensors.exit"].value == YES)
    if answers["supply.seen"].value == YES:
        yield _read("supply.low_v", answers["supply.low"], "supply.low")
        yield _read("supply.high_v", answers["supply.high"], "supply.high")
    for table, values in (("settling", SETTLING[seen]), ("scatter", SCATTER[seen])):
        for name, value in values.items():
            yield Key(f"{table}.{name}", value, _usual())
