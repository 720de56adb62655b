"""What watchers are told, and what a command answers: ids are `TOPIC.WHAT`, values are templates for `str.format`."""

NOTICES: dict[str, str] = {}
