"""Who is at the other end of a socket: role, name and address.

Rule of this file: a role comes from where a connection comes from, and from nothing that is said on it.
"""

import ipaddress
import re
import socket
import struct

from drillfeed.protocol.spec import Caller, Role

PLAIN_IPV4 = re.compile(r"[0-9]{1,3}(?:\.[0-9]{1,3}){3}")


def caller_of(sock: socket.socket, address: object = None) -> Caller:
    """Tell who is at the other end of a socket: role, name and address; `address` as `accept` told it, if it did."""
    if sock.family == socket.AF_UNIX:
        if not hasattr(socket, "SO_PEERCRED"):
            return Caller(role_of("unix", ""), "owner", "unix socket", here=True)
        _, uid, _ = struct.unpack("3i", sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i")))
        return Caller(role_of("unix", ""), f"uid {uid}", "unix socket", here=True)
    try:
        host, port = (address if isinstance(address, tuple) and address else sock.getpeername())[:2]
    except OSError:  # gone again before it was looked at
        return Caller("anyone", "", "")
    role = role_of("tcp", host)
    return Caller(role, host, f"{host} port {port}", here=role != "anyone")


def role_of(kind: str, host: str) -> Role:
    """Choose the role of a peer: the Unix socket is its owner's, loopback is the player, others are anyone."""
    if kind == "unix":
        return "owner"
    if PLAIN_IPV4.fullmatch(host):  # as the system writes it; a flood makes this count
        return "player" if host.startswith("127.") else "anyone"
    address = ipaddress.ip_address(host.split("%")[0])
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return "player" if address.is_loopback else "anyone"


def household(address: str) -> str:
    """Return what an address counts as where each may have only so much: itself, or the /64 of one IPv6 household."""
    if PLAIN_IPV4.fullmatch(address):
        return address
    try:
        found = ipaddress.ip_address(address.split("%")[0])
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    return str(found.ipv4_mapped or ipaddress.ip_network((int(found), 64), strict=False))
