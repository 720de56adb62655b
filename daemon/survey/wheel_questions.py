"""What is asked about the wheels: once if both are alike, else once for each.

Rule of this file: rows of a table; what is made of the answers stands in `keys.py`, what is doubted in `sense.py`.
"""

from collections.abc import Iterator

from drillfeed.daemon.survey.answers import NO, YES, Question

BOTH, EACH = "wheels", ("wheels.top", "wheels.bottom")
ALIKE = "wheels.alike"
NAMES = {"wheels": "a wheel", "wheels.top": "the TOP wheel", "wheels.bottom": "the BOTTOM wheel"}
TACHOMETER, VIDEO, LABEL, GUESS = "tachometer", "video", "label", "guess"
ACROSS, ROUND = "across", "round"
FULL_SPEED = "Battery full, no ball, nobody in front, drive the wheel by its own switch or board as fast as it goes. "


def wheel_questions() -> Iterator[Question]:
    """Yield the questions about wheels: whether both are alike, then those of each part."""
    yield Question(
        ALIKE, "Wheels", "Are both wheels, and both their motors, of the same kind?",
        "Same wheel, same motor, same gear: then one measurement does for both.", kind="yes-no", usual=YES,
    )  # fmt: skip
    yield from _of(BOTH, YES)
    for part in EACH:
        yield from _of(part, NO)


def _of(part: str, alike: str) -> Iterator[Question]:
    """Yield the questions of one part; `alike` is the answer upon which they are asked."""
    name, section = NAMES[part], "Wheels" if part == BOTH else NAMES[part].capitalize()
    always = {ALIKE: (alike,)}

    def row(
        id: str, text: str, how: str, *, kind: str = "number", when: dict[str, tuple[str, ...]] | None = None,
        **rest: object,
    ) -> Question:  # fmt: skip
        asked = {**always, **{f"{part}.{key}": values for key, values in (when or {}).items()}}
        return Question(f"{part}.{id}", section, text.format(name=name), how, kind=kind, when=asked, **rest)  # type: ignore[arg-type]

    yield row(
        "width_way", "How do you measure how wide {name} is?",
        "Across: a ruler or calliper over the tyre, through the axle. Round: a strip of paper once round the tyre.",
        kind="choice", usual=ACROSS,
        choices={ACROSS: "a ruler or calliper across the tyre", ROUND: "a strip of paper round it"},
    )  # fmt: skip
    yield row(
        "across", "How wide is {name}, straight across over the tyre?",
        "From edge to edge through the axle: the whole width, not from the axle to the edge.",
        when={"width_way": (ACROSS,)}, unit="mm", tool="ruler across the tyre", reading=1.0, low=5, high=1000,
    )  # fmt: skip
    yield row(
        "round", "How long is a strip of paper that goes once round {name}?",
        "Mark where it meets itself; measure it.",
        when={"width_way": (ROUND,)}, unit="mm", tool="strip of paper round the tyre", reading=2.0, low=15, high=3200,
    )  # fmt: skip
    yield from _speed(row)
    yield row(
        "slowest", "The slowest speed at which {name} still turns evenly?",
        "Drive it slower and slower until it jerks. A tenth of full speed is usual.",
        unit="rpm", tool="watched", usual="0", high=30_000,
    )  # fmt: skip
    yield row(
        "half_s", "Run-up: how long from switching on until {name} turns HALF as fast as at full speed?",
        "Film it, with the click of the switch. At half speed a turn takes twice as many frames as at full speed. "
        "A stopwatch and your ear do for a guess: about 0.5.",
        unit="s", tool="slow-motion video", usual="0", reading=0.1, high=120,
    )  # fmt: skip
    yield row(
        "full_s", "Run-up: and how long until it no longer gets faster?", "The same video or stopwatch.",
        unit="s", tool="slow-motion video", usual="0", reading=0.2, high=120,
    )  # fmt: skip
    yield row(
        "reverse", "Can its motor turn {name} backwards, under control?", "Most can't: the answer is no.",
        kind="yes-no", usual=NO,
    )  # fmt: skip
    yield row(
        "brake", "When a wheel has to slow down, does the motor board brake it?",
        "Give it half speed after full speed: a braked wheel slows at once, another one coasts.",
        kind="yes-no", usual=NO,
    )  # fmt: skip
    yield row(
        "braked_s", "Braked: how long from full speed to rest?", "A stopwatch, or the video.",
        when={"brake": (YES,)}, unit="s", tool="stopwatch", reading=0.2, low=0.05, high=120,
    )  # fmt: skip
    yield row(
        "coast_half_s", "Coasting: how long from cutting the motor at full speed until {name} turns HALF as fast?",
        "Film it. At half speed a turn takes twice as many frames as at full speed.",
        when={"brake": (NO,)}, unit="s", tool="slow-motion video", usual="0", reading=0.1, high=120,
    )  # fmt: skip
    yield row(
        "rest_s", "Coasting: how long from cutting the motor at full speed until {name} stands still?",
        "A stopwatch, from the click of the switch.", unit="s", tool="stopwatch", usual="0", reading=0.4, high=300,
    )  # fmt: skip
    yield row(
        "mass_g", "How heavy is {name}, with what turns with it?",
        "Kitchen scale. With its hub; the motor's rotor counts little. Bolted together? A guess will do: about 60.",
        unit="g", tool="kitchen scale", usual="60", reading=2.0, low=1, high=5000,
    )  # fmt: skip


def _speed(row) -> Iterator[Question]:  # type: ignore[no-untyped-def]
    yield row(
        "speed_way", "How do you measure how fast {name} turns at full speed?",
        FULL_SPEED + "A tachometer or a video beats the label by far.", kind="choice", usual=VIDEO,
        choices={
            TACHOMETER: "a tachometer pointed at the wheel",
            VIDEO: "a mark on the wheel, in a phone's slow motion",
            LABEL: "the motor's label and the gear",
            GUESS: "I can only guess",
        },
    )  # fmt: skip
    yield row(
        "tachometer", "What does the tachometer say at full speed?", "At the wheel, not at the motor.",
        when={"speed_way": (TACHOMETER,)}, unit="rpm", tool="tachometer", reading=30, low=1, high=100_000,
    )  # fmt: skip
    yield row(
        "fps", "How many frames a second does your video have?", "The phone says it: 120 or 240 is usual.",
        when={"speed_way": (VIDEO,)}, unit="fps", low=10, high=10_000,
    )  # fmt: skip
    yield row(
        "turns", "How many whole turns of {name} did you count in the video?",
        "Paint one mark on the wheel. Count twenty turns or more, from the mark on top to the mark on top.",
        when={"speed_way": (VIDEO,)}, unit="turns", low=1, high=100_000,
    )  # fmt: skip
    yield row(
        "frames", "In how many frames?", "From the first of these pictures to the last.",
        when={"speed_way": (VIDEO,)}, unit="frames", low=1, high=10_000_000,
    )  # fmt: skip
    yield row(
        "motor", "What speed does the motor's label give?", "Without load, in turns a minute.",
        when={"speed_way": (LABEL,)}, unit="rpm", tool="the motor's label", low=1, high=100_000,
    )  # fmt: skip
    yield row(
        "gear", "How many turns does {name} make for ONE turn of the motor?",
        "Turn the motor by hand once, power off, and count: 3 if it is geared up three times, 1 if they share a shaft.",
        when={"speed_way": (LABEL,)}, unit="turns", tool="counted by hand", usual="1", low=0.01, high=100,
    )  # fmt: skip
    yield row(
        "guess", "Your guess of full speed, of the wheel itself?",
        "3,000 rpm on a 57 mm wheel is about 9 m/s at the rim.",
        when={"speed_way": (GUESS,)}, unit="rpm", low=1, high=100_000,
    )  # fmt: skip
