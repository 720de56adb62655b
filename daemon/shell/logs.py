"""Where the daemon's own log goes: standard error, one line an event, colour only on a terminal."""

import sys

import structlog


def log_to_stderr() -> None:
    """Set up structlog for a process of ours."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.StackInfoRenderer(),
            structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty()),
        ],
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )
