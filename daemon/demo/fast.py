"""The demo on the virtual clock."""

from drillfeed.daemon.demo.account import Account
from drillfeed.daemon.demo.choice import Choice
from drillfeed.daemon.engine.events import Event
from drillfeed.daemon.engine.wording import worded
from drillfeed.daemon.simulation import Simulation
from drillfeed.protocol.texts.catalogue import text

MAX_S = 4 * 3600.0


def run_fast(choice: Choice) -> int:
    """Run the whole drill at once and return the exit status."""
    account = Account(tell=print, rolls=choice.machine.roll is not None)

    def note(event: str, t: float, /, **what: object) -> None:
        account.driver_logged({"event": event, "t": t, **what})

    def heard(event: Event) -> None:
        told = worded(event)
        account.daemon_says(told.topic, told.fields, told.text, told.cue)

    hall = Simulation(choice.machine, seed=choice.seed, note=note, on_event=heard)
    account.clock_s = hall.driver_offset_s
    started = hall.start(choice.plan, balls=choice.machine.hopper.balls)
    if not started.ok:
        print(text("demo.refused", text=started.text))
        return 1
    while hall.until_state("RESTING", "ARMED", "IDLE", "FAULT", "PAUSED", max_s=MAX_S):
        state = hall.engine.state
        if state == "RESTING" and hall.engine.parts.practice.rest_until_s is not None:
            hall.until_state("SPINUP", "STOPPING", "FAULT", max_s=MAX_S)
        elif state == "RESTING" or (state == "PAUSED" and hall.engine.parts.feeder.balls_left == 0):
            _go_on(hall, state)
        else:
            break
    run = hall.engine.parts.practice.run
    commanded, seen = (run.commanded, run.seen) if run else (0, None)
    for line in account.summary(seen, commanded):
        print(line)
    return 0 if hall.engine.state == "ARMED" and commanded == choice.plan.balls else 1


def _go_on(hall: Simulation, state: str) -> None:
    """Be the player: fill the hopper, turn the crank to its mark where that is asked, and go on."""
    hall.say(f"balls {hall.machine.hopper.balls}")
    hall.board.attend()
    if hall.machine.feeder.kind == "crank-timed":
        hall.say("crank-at-mark")
    hall.say("ready" if state == "RESTING" else "resume")
