"""Texts about clients."""

from drillfeed.protocol.texts.rows import Row

TEXTS: dict[str, Row] = {
    "client.not-sent": "NOT SENT: there is no connection. Use the switch that cuts the motors' supply.",
}
