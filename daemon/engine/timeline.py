"""What the axes are asked to do, over time."""

from collections.abc import Mapping

from drillfeed.daemon.planning.setting import Setting
from drillfeed.protocol.link import Axis

Targets = Mapping[Axis, float | None]
ZERO: Targets = {"top": 0.0, "bottom": 0.0}
HOLD: Targets = {}
KEPT = 8


def targets_of(setting: Setting) -> Targets:
    """Return the axis targets of a setting."""
    return {
        "top": setting.top_rpm,
        "bottom": setting.bottom_rpm,
        "tilt": setting.tilt_deg,
        "pan": setting.pan_deg,
        "roll": setting.roll_deg,
    }


class TargetTimeline:
    """Steps in time: from each moment on, these targets. Without a target an axis holds."""

    def __init__(self) -> None:
        self._steps: list[tuple[float, Targets]] = [(float("-inf"), ZERO)]

    def put(self, from_s: float, targets: Targets) -> None:
        """Ask for `targets` from `from_s` on; whatever was planned from then on is forgotten."""
        kept = [step for step in self._steps if step[0] < from_s]
        self._steps = [*kept[-KEPT:], (from_s, targets)]

    def at(self, at_s: float) -> Targets:
        """Return the targets at a moment."""
        for from_s, targets in reversed(self._steps):
            if from_s <= at_s:
                return targets
        return self._steps[0][1]
