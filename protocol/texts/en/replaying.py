"""A recording that is run again on a driver."""

from drillfeed.protocol.texts.rows import Row

TEXTS: dict[str, Row] = {
    "replay.no-status": "no status",
    "replay.no-reason": "no reason given",
    "replay.from-to": "{low_rpm:,.0f} to {high_rpm:,.0f}",
    "replay.wheel": "{wheel} wheel {rpm:,.0f} rpm at {at_s:.2f} s; {machine} has {allowed}",
    "replay.tilt": "tilt {tilt_deg:g} at {at_s:.2f} s; {machine} has {low_deg:g} to {high_deg:g}",
    "replay.began-anew": "the driver began anew",
    "replay.fell-silent": "the driver fell silent",
    "replay.driver-is": "the driver is {mode}: {why}",
    "replay.misfit": "does not fit {machine}: {misfits}",
    "replay.no-driver": "no driver at rest, with a known clock, within {ready_s:g} s",
    "replay.not-armed": "the driver did not arm: {why}",
    "replay.rest-unseen": "the wheels were not seen to come to rest",
}
