"""Words on screens: states, headings, buttons, keys. Ids are `PLACE.WHAT`."""

LABELS: dict[str, str] = {}
