"""How a program greets that takes this line for something else: HTTP, TLS, SSH, a proxy, a call between browsers.

Rule of this file: a row matches only what such a program sends and nobody types, because a match costs the connection.
An unknown word, however odd, is no greeting.
"""

import re
from collections.abc import Mapping

TAIL_BYTES = 64
"""What is kept of the end of an over-long line: enough for the last word of a request line."""

# Seen as soon as the line begins with it.
BEGINNINGS: dict[str, bytes] = {
    # RFC 9112, 3: request-line = method SP request-target SP HTTP-version; HTTP/0.9 had no version.
    "HTTP": rb"(?:GET|HEAD|POST|PUT|DELETE|CONNECT|OPTIONS|TRACE|PATCH|PRI) (?:/|\* |[A-Za-z][A-Za-z0-9+.-]*://)",
    # RFC 8446, 5.1: ContentType handshake(22), legacy_record_version 0x03..
    "TLS": rb"\x16\x03",
    # RFC 4253, 4.2.
    "SSH": rb"SSH-[0-9]",
    # The PROXY protocol, version 1; RFC 1928, 3 (SOCKS 5); and SOCKS 4: connect or bind.
    "a proxy's greeting": rb"PROXY (?:TCP4|TCP6|UNKNOWN)|\x05[\x01-\x09][\x00-\x09\x80-\xfe]|\x04[\x01\x02]",
}

# Any method can stand before the version, and a target can be longer than a line.
_VERSION = rb"(?s:.*)[ \t](?i:HTTP|RTSP|SIP|ICAP)/[0-9]+(?:\.[0-9]+)?[ \t]*\Z"

# Seen when the line has ended.
ENDED: dict[str, bytes] = {
    # RFC 9110, 5.1: a field name is followed by a colon at once; no verb has one.
    "HTTP": _VERSION
    + rb"|(?i:Host|Origin|Referer|User-Agent|Connection|Upgrade(?:-Insecure-Requests)?|Cookie|Content-[A-Za-z]+|"
    rb"Transfer-Encoding|Accept(?:-[A-Za-z]+)?|Cache-Control|Sec-[A-Za-z-]+|X-Forwarded-[A-Za-z]+):",
    # The PROXY protocol, version 2, begins with 0D 0A 0D 0A 00 0D 0A; what follows would read as `QUIT`.
    "a proxy's greeting": rb"\x00\Z",
    # RFC 8489, 5: the magic cookie of STUN, by which a page's calls reach any TCP port.
    "STUN": rb"(?s:.*)!\x12\xa4B",
}


def _one_of(rows: Mapping[str, bytes]) -> re.Pattern[bytes]:
    return re.compile(b"|".join(b"(" + pattern + b")" for pattern in rows.values()))


_BEGINNING, _BEGINNINGS = _one_of(BEGINNINGS), tuple(BEGINNINGS)
_LATE = re.compile(_VERSION)
_END, _ENDED = _one_of(ENDED), tuple(ENDED)
# Every greeting has one of these; ordinary lines have none, and are looked at once.
_MAYBE = re.compile(rb"[\x00-\x1f/:!-]|\APROXY ")


def greeting_begun(line: bytes | bytearray) -> str | None:
    """Name the protocol whose greeting `line`, of which more may come, begins with."""
    found = _BEGINNING.match(line) if _MAYBE.search(line) else None
    return _BEGINNINGS[(found.lastindex or 1) - 1] if found else None


def greeting_of(line: bytes) -> str | None:
    """Name the protocol that a whole line belongs to."""
    line = line.removesuffix(b"\r")
    if not _MAYBE.search(line):
        return None
    found = _END.match(line)
    return _ENDED[(found.lastindex or 1) - 1] if found else greeting_begun(line)


def greeting_ending(tail: bytes) -> str | None:
    """Name the protocol that an over-long line belongs to by its end; where the tail begins means nothing."""
    return "HTTP" if _LATE.match(tail.removesuffix(b"\r")) else None
