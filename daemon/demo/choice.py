"""What the demo runs: machine, drill and seed, chosen and checked before anything starts."""

from dataclasses import dataclass

from drillfeed.daemon.drills.bounds import HARD_MAX_BALLS
from drillfeed.daemon.drills.drill import with_balls
from drillfeed.daemon.library.loading import known, load_balls, load_drill, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.plan import DrillPlan, plan_drill
from drillfeed.daemon.planning.setting import NotPossible
from drillfeed.protocol.texts.catalogue import text

DRILLS = ("mixed-spin", "mixed-spin-gentle", "easy-unknown")


@dataclass(frozen=True)
class Choice:
    """A demo ready to run. `drill` and `machine` are as they were named, for the processes that load them again."""

    machine_name: str
    machine: Machine
    drill_name: str
    balls: int | None
    seed: int
    plan: DrillPlan

    def lines(self) -> list[str]:
        """Say what is about to run."""
        plan = self.plan
        tempo = ", ".join(dict.fromkeys(planned_set.tempo_text() for planned_set in plan.sets))
        lines = [
            text("demo.machine", name=self.machine.name, title=self.machine.title),
            text(
                "demo.drill",
                name=plan.drill.name,
                title=plan.drill.title,
                balls=plan.balls,
                tempo=tempo,
                seed=plan.seed,
            ),
        ]
        lines += [f"note     {note}" for note in plan.notes]
        stretches = dict.fromkeys(planned_set.stretch.text for planned_set in plan.sets if planned_set.stretch)
        return lines + [text("demo.tempo", stretch=line) for line in stretches]


def choose(drill: str | None, machine: str, balls: int | None, seed: int) -> Choice:
    """Return the demo to run; raise InvalidFile, NotPossible or ValueError where there is none."""
    if balls is not None and not 1 <= balls <= HARD_MAX_BALLS:
        raise ValueError(text("demo.balls-outside", balls=balls, max_balls=HARD_MAX_BALLS))
    if not 0 <= seed < 2**32:
        raise ValueError(text("demo.seed-outside", seed=seed, max_seed=2**32 - 1))
    profile, types = load_machine(machine), load_balls()
    reasons = []
    others = sorted(known("drills").keys() - set(DRILLS), key=lambda name: (-len(load_drill(name).ball_names()), name))
    for name in (drill,) if drill else (*DRILLS, *others):
        loaded = load_drill(name)
        try:
            plan = plan_drill(with_balls(loaded, balls) if balls else loaded, types, profile, seed)
        except NotPossible as error:
            reasons.append(f"{name}: {error}")
            continue
        return Choice(machine, profile, name, balls, seed, plan)
    raise NotPossible("; ".join(reasons[: len(DRILLS)]))
