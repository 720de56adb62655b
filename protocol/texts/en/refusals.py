"""Why a command is refused: a code of the closed list, what is wrong, what was expected and found, what to do.

Ids are `TOPIC.WHAT`.
"""

from drillfeed.protocol.texts.rows import RefusalText

REFUSALS: dict[str, RefusalText] = {
    "stop.overtook": RefusalText("superseded", "{verb} was overtaken by a stop or a fault"),
    "driver.none": RefusalText("no-driver", "no motor driver answers", do="start the driver, then: status"),
    "driver.misfit": RefusalText("driver-mismatch", "{misfits}", do="mend the profile or the driver"),
    "driver.limits": RefusalText(
        "driver-mismatch", "the driver has not taken the machine's limits yet", do="wait, then: arm"
    ),
    "driver.contradicts": RefusalText(
        "driver-contradicts", "{doubts}", do="mend the driver; drillfeed probe-driver checks it"
    ),
    "arm.contradicts": RefusalText(
        "driver-contradicts", "armed, and {why}", do="cut the motor power, wait for the wheels, look"
    ),
    "driver.faults": RefusalText("driver-refused", "{faults}"),
    "driver.blind": RefusalText(
        "feedback", "a wheel's speed cannot be read", do="look at the speed sensors and their cables"
    ),
    "driver.clock": RefusalText("clock", "the driver's clock", expected="known to {within_ms:g} ms", found="{found}"),
    "driver.busy": RefusalText("busy", "{verb} is not answered yet"),
    "driver.fell-silent": RefusalText("no-driver", "the driver fell silent"),
    "driver.says": RefusalText("driver-refused", "the driver says: {says}", do="status"),
    "driver.too-slow": RefusalText(
        "driver-refused", "the driver did not carry out {verb} within {within_s:g} s", do="status"
    ),
    "supply.outside": RefusalText("supply", "supply at {volts:.1f} V", expected="{low_v:g} to {high_v:g} V"),
    "hopper.empty": RefusalText("hopper", "{empty}", do="fill it, then: balls N"),
    "crank.unknown": RefusalText(
        "crank-phase",
        "the crank was stopped in mid-turn: its phase is unknown",
        do="cut the motor power, turn the crank to its mark by hand, then type: crank-at-mark",
    ),
    "crank.drifted": RefusalText(
        "crank-phase",
        "the crank has turned {turns} times since its mark and has drifted",
        expected="at most {allowed} turns for this set",
        do="cut the motor power, turn the crank to its mark by hand, then type: crank-at-mark",
    ),
    "player.changed": RefusalText("busy", "who plays has changed since this was planned", do="the same line again"),
    "arm.cautions": RefusalText(
        "cautions", "the cautions are not acknowledged yet", do="help cautions, then: cautions accept"
    ),
    "arm.moving": RefusalText("moving", "the wheels are not known to stand ({known})", do="wait, then: arm"),
    "arm.driver-says-moving": RefusalText("moving", "the driver says that the wheels turn", do="wait, then: arm"),
    "arm.wheel-turns": RefusalText(
        "moving",
        "the {wheel}",
        expected="wheels that stand",
        do="wait; where it goes on, cut the motor power, wait for the wheels, look",
    ),
    "start.stop-count": RefusalText(
        "stop-count",
        "start must quote the present stop count",
        expected="{expected}",
        found="{found}",
        do="see that nobody is at the machine, then: {line}",
    ),
    "drill.none": RefusalText("no-drill", "no drill is loaded", do="list drills, then: load NAME"),
    "pause.unsettled": RefusalText(
        "busy", "the driver has not yet said whether a last ball went", do="{verb} again in a moment"
    ),
    "clear.at-the-machine": RefusalText(
        "not-allowed",
        "{cause} is cleared at the machine itself",
        do="cut the motor power, wait for the wheels, look; then, there: clear",
    ),
    "clear.lasts": RefusalText("fault-latched", "the cause lasts: {causes}", do="mend it, then: clear"),
    "change.no-drill": RefusalText(
        "no-drill", "no drill is loaded that could be changed", do="list drills, then: load NAME"
    ),
    "change.one-ball": RefusalText("busy", "a single ball is being thrown", do="when it has gone: {verb}"),
    "change.another": RefusalText("busy", "another change came in between", do="look at status, then: {verb}"),
    "change.unsettled": RefusalText(
        "busy", "the driver has not yet said whether a last ball went", do="in a moment: {verb}"
    ),
    "offer.no-drill": RefusalText("no-drill", "no drill is loaded", do="ask the player to load one"),
    "offer.unknown": RefusalText(
        "no-offer", "offer {number} cannot be confirmed", expected="one that stands", found="{found}"
    ),
    "mark.no-ball": RefusalText(
        "no-drill", "no ball has gone that could be marked", do="start a drill, or throw one ball"
    ),
    "mark.set-needs-count": RefusalText(
        "bad-argument", "a set is marked with a count", expected="such as: mark made 14 of 20", do="help mark"
    ),
    "mark.ball-unknown": RefusalText("unknown-name", "ball {n} has not gone", expected="a number up to {newest}"),
    "mark.ball-with-count": RefusalText(
        "bad-argument",
        "a count belongs to a set, not to a ball",
        expected="such as: mark made ball 3",
        do="help mark",
    ),
    "mark.set-unknown": RefusalText("unknown-name", "no ball of set {number} has gone", do="status tells the set"),
    "mark.too-many": RefusalText(
        "bad-argument",
        "set {number} threw {fed} balls",
        expected="a count up to {at_most}, of at most {fed}",
        found="{count} of {out_of}",
    ),
    "setup.not-held": RefusalText(
        "not-held", "nothing moves unless it is held", do="hold {token}, and so on each 100 ms"
    ),
    "setup.stale-token": RefusalText("not-held", "token {token} is not fresh", expected="above {newest}"),
    "setup.tilt-beyond": RefusalText(
        "beyond-setup",
        "tilt {to_deg:g} degrees is more than set-up allows",
        expected="{low_deg:g} to {high_deg:g}",
    ),
    "setup.wheel-beyond": RefusalText(
        "beyond-setup",
        "{wheel} wheel {rpm:,.0f} rpm is more than set-up allows",
        expected="0, or {low_rpm:,.0f} to {high_rpm:,.0f} rpm ({rim_mps:g} m/s at the rim)",
    ),
    "setup.ball-had": RefusalText(
        "not-held", "one ball a hold: this hold has had its ball", do="let go, hold again, jog, feed one"
    ),
    "setup.wheels-stand": RefusalText(
        "beyond-setup", "a ball would stick between wheels that stand", do="jog top RPM, jog bottom RPM"
    ),
    "setup.not-there": RefusalText("beyond-setup", "not there yet: {away}", do="hold on, then: feed one"),
}
