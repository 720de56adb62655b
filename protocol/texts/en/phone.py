"""Texts about phone."""

from drillfeed.protocol.texts.rows import Row

TEXTS: dict[str, Row] = {
    "phone.no-daemon": "no daemon answers; use the foot switch, or the switch that cuts the motors' supply",
}
