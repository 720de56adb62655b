"""Names that a person or a script may still use, each with the name that took its place.

Rule of this file: an old name is refused with its new one and never obeyed, so that one thing has one name.
"""

RETIRED_COMMANDS: dict[str, str] = {
    "rephase": "crank-at-mark",
    "pairing": "invite",
    "paired": "clients",
}
"""Old command -> command."""

RETIRED_OPTIONS: dict[tuple[str, str], str] = {
    ("jog", "--beside-it"): "--at-the-machine",
}
"""(sub-command, old option) -> option."""
