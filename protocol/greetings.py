"""How a program greets that takes this line for something else: HTTP, TLS, SSH, a proxy, a call between browsers.

Rule of this file: a row matches only what such a program sends and nobody types, because a match costs the connection.
An unknown word, however odd, is no greeting.
"""

import re

TAIL_BYTES = 64
"""What is kept of the end of an over-long line: enough for the last word of a request line."""

# Seen as soon as the line begins with it.
BEGINNINGS: tuple[tuple[str, re.Pattern[bytes]], ...] = (
    # RFC 9112, 3: request-line = method SP request-target SP HTTP-version; HTTP/0.9 had no version.
    (
        "HTTP",
        re.compile(
            rb"(?:GET|HEAD|POST|PUT|DELETE|CONNECT|OPTIONS|TRACE|PATCH|PRI) (?:/|\* |[A-Za-z][A-Za-z0-9+.-]*://)"
        ),
    ),
    # RFC 8446, 5.1: ContentType handshake(22), legacy_record_version 0x03..
    ("TLS", re.compile(rb"\x16\x03")),
    # RFC 4253, 4.2.
    ("SSH", re.compile(rb"SSH-[0-9]")),
    # The PROXY protocol, version 1, and RFC 1928, 3 (SOCKS 5), and SOCKS 4: connect or bind.
    (
        "a proxy's greeting",
        re.compile(rb"PROXY (?:TCP4|TCP6|UNKNOWN)|\x05[\x01-\x09][\x00-\x09\x80-\xfe]|\x04[\x01\x02]"),
    ),
)

# Seen when the line has ended. Any method can stand before the version, and a target can be longer than a line.
ENDED: tuple[tuple[str, re.Pattern[bytes]], ...] = (
    ("HTTP", re.compile(rb"(?s).*[ \t](?:HTTP|RTSP|SIP|ICAP)/[0-9]+(?:\.[0-9]+)?[ \t]*\Z")),
    # RFC 9110, 5.1: a field name is followed by a colon at once. No verb has one.
    (
        "HTTP",
        re.compile(
            rb"(?:Host|Origin|Referer|User-Agent|Connection|Upgrade(?:-Insecure-Requests)?|Cookie|Content-[A-Za-z]+|"
            rb"Transfer-Encoding|Accept(?:-[A-Za-z]+)?|Cache-Control|Sec-[A-Za-z-]+|X-Forwarded-[A-Za-z]+):",
            re.IGNORECASE,
        ),
    ),
    # The PROXY protocol, version 2, begins with 0D 0A 0D 0A 00 0D 0A; what follows would read as `QUIT`.
    ("a proxy's greeting", re.compile(rb"\x00\Z")),
    # RFC 8489, 5: the magic cookie of STUN, by which a page's calls reach any TCP port.
    ("STUN", re.compile(rb"(?s).*!\x12\xa4B")),
)


def greeting_begun(line: bytes) -> str | None:
    """Name the protocol whose greeting `line`, of which more may come, begins with."""
    return next((name for name, pattern in BEGINNINGS if pattern.match(line)), None)


def greeting_ended(line: bytes) -> str | None:
    """Name the protocol that a whole line, or the end of an over-long one, belongs to."""
    line = line.removesuffix(b"\r")
    return next((name for name, pattern in ENDED if pattern.match(line)), None)
