"""A fault as it is latched, and who may clear it."""

from dataclasses import dataclass

# Somebody must have looked at the machine itself before these are cleared: a page elsewhere may not.
AT_THE_MACHINE = frozenset(
    {
        "wheel-off-speed",
        "wheel-uncommanded",
        "angle-off-target",
        "slow-spinup",
        "still-turning",
        "unreadable",
        "driver-fault",
        "driver-contradicts",
        "internal",
    }
)


@dataclass(frozen=True)
class Fault:
    """The first cause: its name, what was seen, when, what may lie behind it and what to do."""

    cause: str
    text: str
    at_s: float
    hint: str
    next_step: str
