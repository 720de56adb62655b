"""Who is at the other end of a socket: role, name and address.

Rule of this file: a role depends only on where a connection comes from, never on what is said on it.
"""

import ipaddress
import re
import socket
import struct

from drillfeed.protocol.spec import Caller, Role

PLAIN_IPV4 = re.compile(r"[0-9]{1,3}(?:\.[0-9]{1,3}){3}")


def caller_of(sock: socket.socket, address: object = None) -> Caller:
    """Return who is at the other end of a socket: role, name and address; `address` is what `accept` returned."""
    if sock.family == socket.AF_UNIX:
        if not hasattr(socket, "SO_PEERCRED"):
            return Caller(role_of("unix", ""), "owner", "unix socket", here=True)
        _, uid, _ = struct.unpack("3i", sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i")))
        return Caller(role_of("unix", ""), f"uid {uid}", "unix socket", here=True)
    try:
        host, port = (address if isinstance(address, tuple) and address else sock.getpeername())[:2]
    except OSError:  # the peer left before this look
        return Caller("anyone", "", "")
    role = role_of("tcp", host)
    return Caller(role, host, f"{host} port {port}", here=role != "anyone")


def role_of(kind: str, host: str) -> Role:
    """Choose the role of a peer: owner on the Unix socket, player on loopback, anyone elsewhere."""
    if kind == "unix":
        return "owner"
    if PLAIN_IPV4.fullmatch(host):  # as the system writes it; quicker than parsing, which matters in a flood
        return "player" if host.startswith("127.") else "anyone"
    address = ipaddress.ip_address(host.split("%")[0])
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return "player" if address.is_loopback else "anyone"


def household(address: str) -> str:
    """Return the key under which limits count an address: the address itself, or for IPv6 its household's /64."""
    if PLAIN_IPV4.fullmatch(address):
        return address
    try:
        found = ipaddress.ip_address(address.split("%")[0])
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    return str(found.ipv4_mapped or ipaddress.ip_network((int(found), 64), strict=False))
