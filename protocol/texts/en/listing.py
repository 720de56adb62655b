"""The listings of `list` and `check`."""

from drillfeed.protocol.texts.rows import Row

TEXTS: dict[str, Row] = {
    "list.likely-range": " (likely {ends})",
    "list.not-here": "  NOT HERE: {reason}",
    "list.drill": "({level}, {balls} balls, {tempo}/min)",
    "list.wheels": "top {top_rpm:,.0f}, bottom {bottom_rpm:,.0f} rpm, tilt {tilt_deg:.1f}",
    "list.roll": ", roll {roll_deg:+.1f}",
    "list.depth": "{length} {depth_cm:g} cm deep",
    "list.by-tilt": "by tilt",
    "list.likely": ", likely {depth}",
    "list.no-good": "no good: {reason}",
    "list.over-net": ", {over_cm:.0f} cm over the net{range}",
    "list.after-bounce": "after the bounce {spin}, {speed_after_mps:.1f} m/s{over}",
    "check.reverses": ", reverses",
    "check.coasts": "coasts, time constant {coast_time_constant_s:g} s",
    "check.wheel": (
        "  {name} wheel: diameter {diameter_mm:g} mm, {low:,.0f} to {high:,.0f} rpm, rim "
        "{low_mps:.1f} to {high_mps:.1f} m/s{reverses}"
    ),
    "check.changes": "    from low to high {up_s:.1f} s, from high to low {down_s:.1f} s ({stop})",
    "check.from-to": "{low_deg:g} to {high_deg:g}",
    "check.low-rate": "{low_balls_per_min:g} to ",
    "check.up-to": "up to ",
    "check.launch-speed": "  launch speed with no spin: {low_mps:.1f} to {high_mps:.1f} m/s",
    "check.max-spin": "  most spin either way at a launch speed:",
    "check.angles": (
        "  tilt {low_deg:g} to {high_deg:g} degrees, {seconds:.1f} s from end to end; pan {pan}, head roll {roll}"
    ),
    "check.feeder": "  feeder {kind}: {low}{high_balls_per_min:g} balls/min, hopper {balls}",
    "check.by-time": "    by time only: the crank must be turned to its mark by hand every {max_turns} turns",
    "check.feedback": "speed feedback",
    "check.no-feedback": "no speed feedback: arrival is assumed, never measured",
    "check.exit-sensor": "exit sensor",
    "check.no-exit-sensor": "no exit sensor: balls seen leaving stay blank",
    "check.balls": "{balls} ball types; on {machine}{player}:",
    "check.not-here": "  {name}: not here: {error}",
    "check.ball": (
        "  {name}: {bent}top {top_rpm:,.0f} rpm, bottom {bottom_rpm:,.0f} rpm, tilt {tilt_deg:.1f} degrees{turns}"
    ),
    "check.player": ", for a player of {limits}",
    "check.drill": "{drill}: {title}; {balls} balls on {machine}{player}",
    "check.rest": "rest {rest_s:g} s",
    "check.rest-waits": "then a rest that waits for the player",
    "check.set": "  set {number}{title}: {balls} balls at {tempo}/min{tail}",
    "check.crank": "    before it: turn the crank to its mark by hand",
    "check.no-such-file": "no such file or name",
    "check.file-or-name": "a file, or a name of drillfeed list",
    "board.simulated": "simulated {machine}",
    "check.first-start": "at the first start",
    "check.every-moves": "every {moves} moves",
    "check.stop-by-time": "    by time: before a set it is sent to its lower stop, {often}",
    "check.improve": ". Next: drillfeed profile improve {path}",
    "check.values-unknown": (
        "  the profile does not say how its values are known: uncalibrated, wheels are taken as known to 2 % each"
    ),
    "check.values-unknown-tilt": "    and the tilt to 1 degree{advice}",
}
