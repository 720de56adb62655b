"""THE table of the guided set-up: every question in the order in which it is asked.

Rule of this file: a row says what is asked, how a builder measures it, with what tool, in which unit, and what an empty
answer stands for. It asks nothing that the profile doesn't need.
"""

from collections.abc import Iterator, Mapping

from drillfeed.daemon.survey.answers import NO, YES, Answer, Question
from drillfeed.daemon.survey.wheel_questions import wheel_questions

NAME, TITLE = "name", "title"
INDEXED, HOME_SWITCH, TIMED = "indexed", "crank-home-switch", "crank-timed"
LEVEL = "phone level or protractor"
OFF = "Motor power off. "

_ABOUT = (
    Question(
        NAME, "Your thrower", "A short name for it?", "Small letters, digits, dashes.", kind="words", usual="my-thrower"
    ),
    Question(
        TITLE, "Your thrower", "And in a line, what is it?", "For lists.", kind="words", usual="A thrower of my own"
    ),
)
_TILT = (
    Question(
        "tilt.low", "Tilt", "At its LOWEST, which angle does the throw have?",
        "Tilt at its lower stop, wheels off. Lay a phone's level along the way of the ball between the wheels, "
        "or hold a protractor with a thread. Level is 0; pointing up is positive, down negative.",
        unit="degrees", tool=LEVEL, reading=1.0, low=-90, high=90,
    ),
    Question(
        "tilt.high", "Tilt", "And at its HIGHEST?", "The same at the upper stop.",
        unit="degrees", tool=LEVEL, reading=1.0, low=-90, high=90,
    ),
    Question(
        "tilt.travel_s", "Tilt", "How long does it take from one stop to the other?",
        "A stopwatch; the mean of two ways up and two ways down.",
        unit="s", tool="stopwatch", reading=0.4, low=0.05, high=600, usual="4", jog="tilt.high",
    ),
    Question(
        "tilt.play", "Tilt", "How far can you rock the head by hand at rest, from end to end?",
        OFF + "Read the level in both ends. 0.5 is usual.",
        unit="degrees", tool=LEVEL, reading=0.2, high=10, usual="0.5",
    ),
    Question(
        "tilt.by_time", "Tilt", "Is it moved by time: the actuator runs, and no sensor sees where the head is?",
        "Slow linear actuators on two wires: yes. A servo that holds an angle, or a board with an angle sensor: no.",
        kind="yes-no", usual=YES,
    ),
    Question(
        "tilt.moves", "Tilt", "Drive it to and fro between two angles by time. After how many moves do you look?",
        "Twenty is good. Read the level before the first and after the last move, at the same of both angles.",
        unit="moves", usual="20", low=1, high=1000, when={"tilt.by_time": (YES,)}, jog="tilt.high",
    ),
    Question(
        "tilt.drifted", "Tilt", "By how many degrees was the angle off after them?",
        "The difference of both readings, whichever way. 1 is usual.",
        unit="degrees", tool=LEVEL, reading=0.5, high=45, usual="1", when={"tilt.by_time": (YES,)},
    ),
)  # fmt: skip
_OPENING = (
    Question(
        "opening.height", "Where it stands", "How high above the TABLE is the ball's middle as it leaves the wheels?",
        OFF + "Ruler from the table top, tilt level. Not from the floor: the table is 76 cm high.",
        unit="cm", tool="ruler from the table top", reading=0.5, low=-70, high=300,
    ),
    Question(
        "opening.behind", "Where it stands", "How far BEHIND the table's end line is that point?",
        OFF + "Ruler along the table; over the table it is negative.",
        unit="cm", tool="ruler from the end line", reading=1.0, low=-150, high=400,
    ),
    Question(
        "opening.pivot", "Where it stands", "How far in front of the tilt's axle is that point?",
        OFF + "Ruler from the axle to the middle of the ball between the wheels. 0 if the head turns about it.",
        unit="cm", tool="ruler from the tilt's axle", reading=0.5, high=100, usual="0",
    ),
)  # fmt: skip
_FEEDER = (
    Question(
        "feeder.kind", "Feeder", "What pushes the balls?",
        "By time only: the crank has no switch and the board runs it for the time of a turn.",
        kind="choice", usual=TIMED,
        choices={
            INDEXED: "one push for each order, and it stops by itself",
            HOME_SWITCH: "a crank with a switch at its mark",
            TIMED: "a crank by time only, no switch",
        },
    ),
    Question(
        "feeder.seconds", "Feeder", "Run it at its fastest. Over how many seconds do you count?",
        "A minute is best; the wheels needn't turn.", unit="s", usual="60", low=5, high=600,
    ),
    Question(
        "feeder.turns", "Feeder", "How many turns (or pushes) in that time?",
        "Count the balls, or the turns of the crank.", unit="turns", tool="counted over a stopwatch", low=1, high=2000,
    ),
    Question(
        "feeder.slowest", "Feeder", "The fewest turns (or pushes) a minute that it does evenly?",
        "0 if it can wait between two pushes as long as you like.",
        unit="a minute", tool="counted", usual="0", high=200,
    ),
    Question(
        "feeder.fps", "Feeder", "Film three pushes. How many frames a second does that video have?",
        "Crank and opening in one picture, wheels turning slowly, nobody in front. The phone tells the frames. "
        "No video? Enter here and at the next three.",
        unit="fps", usual="240", low=10, high=10_000,
    ),
    *(
        Question(
            f"feeder.frames_{place}", "Feeder",
            f"From the start of a push to the ball being out of the wheels: how many frames ({word} ball)?",
            "Count from the picture in which the push begins to the one in which the ball is past the wheels.",
            unit="frames", tool="slow-motion video of three balls", usual="0", high=10_000,
        )
        for place, word in ((1, "first"), (2, "second"), (3, "third"))
    ),
    Question(
        "feeder.drift_turns", "Feeder", "Crank at its mark, run it by time. After how many turns do you look?",
        "Twenty is good. Do it three times; the next questions ask how far off it stood each time.",
        unit="turns", usual="20", low=1, high=500, when={"feeder.kind": (TIMED,)},
    ),
    *(
        Question(
            f"feeder.drift_{place}", "Feeder", f"How many degrees off its mark was it ({word} time)?",
            "A protractor; an hour on a clock face is 30 degrees. 36 in 20 turns is usual.",
            unit="degrees", tool="protractor at the crank, three times", usual="36", high=180,
            when={"feeder.kind": (TIMED,)},
        )
        for place, word in ((1, "first"), (2, "second"), (3, "third"))
    ),
)  # fmt: skip
_REST = (
    Question("hopper.balls", "Basket", "How many balls does it hold?", "50 to 60 is usual.",
             unit="balls", tool="counted", usual="50", low=1, high=1000),
    Question("hopper.agitator", "Basket", "Is it stirred by a motor of its own?", "", kind="yes-no", usual=NO),
    Question("sensors.speed", "Sensors", "Does a sensor tell the motor board how fast the wheels turn?",
             "Hobby motors on wires have none: no.", kind="yes-no", usual=NO),
    Question("sensors.exit", "Sensors", "Does a sensor see each ball leave?", "", kind="yes-no", usual=NO),
    Question("supply.seen", "Battery", "Does the motor board tell the battery's voltage?",
             "If so, the daemon warns when it is low.", kind="yes-no", usual=NO),
    Question("supply.low", "Battery", "At which voltage is the battery empty?", "Its data sheet. Never drain it more.",
             unit="V", tool="data sheet", usual="0", high=100),
    Question("supply.high", "Battery", "And just after charging?", "A multimeter at its terminals.",
             unit="V", tool="multimeter", usual="0", high=100),
)  # fmt: skip

QUESTIONS: tuple[Question, ...] = (*_ABOUT, *wheel_questions(), *_TILT, *_OPENING, *_FEEDER, *_REST)
BY_ID: Mapping[str, Question] = {question.id: question for question in QUESTIONS}


def asked(answers: Mapping[str, Answer]) -> Iterator[Question]:
    """Yield the questions whose conditions hold by the answers so far, in order."""
    for question in QUESTIONS:
        if all(id in answers and answers[id].value in values for id, values in question.when.items()):
            yield question


def next_question(answers: Mapping[str, Answer]) -> Question | None:
    """Return the first question that is not answered yet, None if all are."""
    return next((question for question in asked(answers) if question.id not in answers), None)
