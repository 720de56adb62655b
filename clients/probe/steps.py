"""What a check is: a generator that is resumed each time something may have changed, and the ways it may end badly."""

from collections.abc import Generator

Steps = Generator[None, None, str]
Pause = Generator[None, None, None]
Asked = Generator[None, None, bool]


class Fails(Exception):
    """The rule under test does not hold; the text says what was seen instead."""


class NotReached(Exception):
    """The check could not begin, because the driver did not reach its starting point; the text says why."""


class NotKnown(Exception):
    """The probe can't tell whether the rule holds; the text says why, and how to find out."""
