"""`python -m tests.faults.flood ADDRESS LINES`: a client that never stops talking, in a process of its own.

It types as fast as the daemon takes it, drops all answers, and says `flooding` once it has got going. When all is said
it stays until it is ended.
"""

import socket
import sys
import threading

LINES = b"status json\n" * 50
GOING_AFTER = 10


def read_all(wire: socket.socket) -> None:
    """Read and drop until the other end hangs up."""
    try:
        while wire.recv(65536):
            pass
    except OSError:
        return


def main() -> int:
    """Talk."""
    host, _, port = sys.argv[1].rpartition(":")
    with socket.create_connection((host, int(port))) as wire:
        reader = threading.Thread(target=read_all, args=(wire,), daemon=True)
        reader.start()
        for turn in range(int(sys.argv[2]) // LINES.count(b"\n")):
            wire.sendall(LINES)
            if turn == GOING_AFTER:
                print("flooding", flush=True)
        reader.join()
    return 0


if __name__ == "__main__":
    sys.exit(main())
