"""Every kind of sequence a set can have, listed once.

Rule of this file: a new kind is a class that offers what `drawing.SequenceKind` asks for, and one line here.
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
