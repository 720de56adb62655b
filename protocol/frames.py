"""Frames of the driver link: bytes to messages of `link.py` and back, or the reason why a frame is none.

Rule of this file: a frame is read whole or refused with one line, whatever its bytes are.
"""

from typing import Annotated, TypeVar

from pydantic import Field, TypeAdapter, ValidationError

from drillfeed.protocol.link import (
    FRAME_BYTES_MAX,
    VERSION,
    DaemonHello,
    DriverHello,
    Message,
    Order,
    Ping,
    Pong,
    Setpoint,
    Status,
)
from drillfeed.protocol.plain import plain
from drillfeed.protocol.texts.catalogue import text

_T = TypeVar("_T")

FromDriver = Annotated[DriverHello | Status | Pong, Field(discriminator="kind")]
FromDaemon = Annotated[DaemonHello | Setpoint | Order | Ping, Field(discriminator="kind")]
_FROM_DRIVER: TypeAdapter[DriverHello | Status | Pong] = TypeAdapter(FromDriver)
_FROM_DAEMON: TypeAdapter[DaemonHello | Setpoint | Order | Ping] = TypeAdapter(FromDaemon)


class BadFrame(Exception):
    """A frame that is not a message of this protocol; the text says why, in one line."""


def _decode(adapter: TypeAdapter[_T], frame: bytes) -> _T:
    if len(frame) > FRAME_BYTES_MAX:
        raise BadFrame(text("frame.too-long", bytes=len(frame), max_bytes=FRAME_BYTES_MAX))
    try:
        return adapter.validate_json(frame)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"]) or "frame"
        raise BadFrame(plain(f"{where}: {first['msg']}"[:200])) from None


def _same_version(message: Message) -> None:
    if "v" not in message.model_fields_set:
        raise BadFrame(text("frame.no-version", version=VERSION))
    if message.v != VERSION:
        raise BadFrame(text("frame.version", v=message.v, version=VERSION))


def decode_from_driver(frame: bytes) -> DriverHello | Status | Pong:
    """Read a frame that a driver sent; raise BadFrame with the reason."""
    message = _decode(_FROM_DRIVER, frame)
    _same_version(message)
    return message


def decode_from_daemon(frame: bytes) -> DaemonHello | Setpoint | Order | Ping:
    """Read a frame that a daemon sent; raise BadFrame with the reason."""
    message = _decode(_FROM_DAEMON, frame)
    _same_version(message)
    return message


def encode(message: Message) -> bytes:
    """Write a message as one compact JSON frame, absent parts left out."""
    return message.model_dump_json(exclude_none=True).encode()
