"""`python -m tests.faults.ghosts ENDPOINT PEERS`: peers on the driver link that never say a valid hello.

They send as fast as the link takes it, each something else: a hello of another version, with a name too long or a
limit missing; bytes; blanks of the largest frame; a status; messages of 2,000 parts. It says `haunting` once all have
begun, and stays until it is ended.
"""

import itertools
import json
import sys

import zmq

from drillfeed.protocol.link import FRAME_BYTES_MAX

HELLO = json.dumps({"v": 9, "kind": "hello", "driver": "x" * 500, "boot": "ghost", "pad": "p" * 15_000}).encode()
STATUS = json.dumps(
    {"v": 1, "kind": "status", "boot": "ghost", "now_s": 1.0, "mode": "disarmed", "feeding": False,
     "top": {"target_rpm": 0.0}, "bottom": {"target_rpm": 0.0}}
).encode()  # fmt: skip
PARTS = 2_000
MESSAGES: tuple[list[bytes], ...] = (
    [HELLO],
    [HELLO.replace(b'"v": 9', b'"v": 1')],
    [bytes(range(256)) * 8],
    [b" " * FRAME_BYTES_MAX],
    [STATUS],
    [b""],
)


def main() -> int:
    """Haunt."""
    with zmq.Context() as context:
        peers: list[zmq.Socket[bytes]] = []
        for _ in range(int(sys.argv[2])):
            peer = context.socket(zmq.DEALER)
            peer.setsockopt(zmq.LINGER, 0)
            peer.connect(sys.argv[1])
            peers.append(peer)
        for turn in itertools.count():
            for n, peer in enumerate(peers):
                parts = [b"x"] * PARTS if turn % 1000 == 999 and n == 0 else MESSAGES[(turn + n) % len(MESSAGES)]
                try:
                    peer.send_multipart(parts, zmq.NOBLOCK)
                except zmq.Again:
                    continue
            if turn == 20:
                print("haunting", flush=True)
            if turn > 20:
                # As fast as the link takes it, and no more of this machine's two cores than that needs.
                zmq.select([], peers, [], 0.05)
    return 0


if __name__ == "__main__":
    sys.exit(main())
