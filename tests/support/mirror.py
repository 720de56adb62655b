"""A setting turned over for the other hand, to compare plans for both hands."""

from dataclasses import replace

from drillfeed.daemon.planning.setting import Setting


def mirrored(setting: Setting) -> Setting:
    """Return the setting for the other side of the table: pan and roll (sidespin) turned over, all else the same."""

    def turned(deg: float | None) -> float | None:
        return -deg if deg else deg

    return replace(setting, pan_deg=turned(setting.pan_deg), roll_deg=turned(setting.roll_deg))
