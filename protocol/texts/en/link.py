"""Frames between daemon and driver that cannot be read."""

from drillfeed.protocol.texts.rows import Row

TEXTS: dict[str, Row] = {
    "frame.too-long": "frame of {bytes} bytes; at most {max_bytes}",
    "frame.no-version": "v: missing; this side speaks protocol version {version}",
    "frame.version": "v: protocol version {v}; this side speaks {version}",
}
