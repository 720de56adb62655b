"""`python -m tests.faults.stuck_pedal ADDRESS`: the shipped foot switch client, whose contact closes and never opens.

The contact is open when the client begins, closes after `OPEN_S`, and stays closed until the process is ended.
"""

import os
import sys
import threading
import time

OPEN_S = 1.5


def main() -> int:
    """Put a contact of our own in the place of standard input, then run the client."""
    from drillfeed.daemon.cli import main as command

    read_end, write_end = os.pipe()
    os.dup2(read_end, 0)

    def close_for_good() -> None:
        os.write(write_end, b"up\n")
        time.sleep(OPEN_S)
        os.write(write_end, b"down\n")

    threading.Thread(target=close_for_good, daemon=True).start()
    return command(["pedal", "--lines", "--quiet", "--to", sys.argv[1]])


if __name__ == "__main__":
    sys.exit(main())
