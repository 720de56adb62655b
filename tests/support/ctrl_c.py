"""Processes that heed Ctrl-C whichever way the tests themselves were started."""

import signal


def heeded() -> None:
    """Let a child heed Ctrl-C, before it runs: tests that a shell put in the background inherit an ignored one."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
