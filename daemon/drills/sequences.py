"""The list of all kinds of sequence that a set can have.

Rule of this file: a new kind needs a class with the methods of `drawing.SequenceKind`, and one line here.
"""

from typing import Annotated

from pydantic import Field

from drillfeed.daemon.drills.quota import QuotaSequence
from drillfeed.daemon.drills.scenario import ScenarioSequence
from drillfeed.daemon.drills.weighted import RandomSequence
from drillfeed.daemon.drills.written import FixedSequence, RotatingSequence

Sequence = Annotated[
    FixedSequence | RotatingSequence | RandomSequence | QuotaSequence | ScenarioSequence,
    Field(discriminator="kind"),
]
