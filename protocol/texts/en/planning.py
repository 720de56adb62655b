"""Planning a drill for a machine and a player: refusals and notes."""

from drillfeed.protocol.texts.rows import Row

TEXTS: dict[str, Row] = {
    "limit.rim": "it needs a rim at {fastest_mps:.1f} m/s; {max_rim_mps:g} m/s at most by {owner}",
    "limit.go-on": "go on as it is; the owner sets the figures in [players.{level}]",
    "limit.nearest": "nearest that is allowed: {near}",
    "limit.none-allowed": "no ball type is allowed here",
    "limit.length": "set {number}: {balls} balls asked, {max_balls:g} by {owner}",
    "limit.waits": "set {number}: waits of less than {min_s:.2f} s last so long, by {owner}",
    "change.at-most": "{name} runs at {max_per_min:g}/min at most",
    "change.nothing": "{verb} would change nothing: {why}",
    "plan.crank": (
        "set {number} has {balls} balls; this crank by time drifts too far after {max_turns} turns; "
        "give the set at most {max_turns} balls and turn the crank to its mark between sets"
    ),
    "plan.feeder-lift": "leave out the pair or bring the two balls nearer to each other",
    "plan.feeder": (
        "set {number} would run at {tempo_per_min:.1f}/min; this feeder makes {low_balls_per_min:g} "
        "to {high_balls_per_min:g}/min{why}{lift}"
    ),
    "setting.right": "right",
    "setting.left": "left",
    "setting.reverse": "needs the {slow} wheel at {slow_mps:.1f} m/s; this machine's wheels do not reverse",
    "setting.grip": (
        "needs the {slow} rim at {slow_mps:.2f} m/s; to grip it must keep {grip_share:.0%} of the "
        "{fast} rim's {fast_mps:.1f} m/s"
    ),
    "setting.rim-min": "needs the {slow} rim at {slow_mps:.2f} m/s; it turns steadily from {min_mps:.2f} m/s up",
    "setting.spin": (
        "spin {spin_text} at {speed_mps:g} m/s {why}; nearest that works: {nearest} at {nearest_mps:.1f} m/s"
    ),
    "setting.topspin": "{spin_revps:+.1f} rev/s",
    "setting.topspin-and-sidespin": "{topspin:+.1f} rev/s, side {sidespin:+.1f}",
    "setting.no-roll": (
        "sidespin {side_revps:+g} rev/s needs a head that rolls; this machine's does not; nearest "
        "that works: {spin_revps:+g} rev/s, no sidespin"
    ),
    "setting.roll": (
        "spin {spin_text} needs the head rolled {roll_deg:+.1f} degrees; this machine rolls "
        "{low_deg:g} to {high_deg:g}; nearest that works: {near}"
    ),
    "setting.tilt": (
        "tilt {tilt_deg:g} degrees; this machine tilts {low_deg:g} to {high_deg:g}; nearest that "
        "works: {near:g} degrees"
    ),
    "setting.no-arc": "no {arc} arc of this speed and spin makes a {length} ball there",
    "setting.straight-on": "straight on from where this machine stands is {aside_cm:.0f} cm off the middle",
    "setting.aside": "{aside_cm:.0f} cm {way}",
    "setting.bend": "lands {aside} of the middle as the thrower sees it: {name} has no pan to aim its bend",
    "setting.pan": (
        "pan {pan_deg:+.1f} degrees {why}; this machine pans {low_deg:g} to {high_deg:g}; nearest "
        "that works: {near:g} degrees"
    ),
    "setting.for-its-trim": "for its trim",
    "setting.against-its-bend": "against its bend",
    "tempo.by": "tempo {asked_per_min:g}/min asked, {runs_per_min:.3g}/min by {reason}",
    "tempo.stretched": (
        "{asked_per_min:g}/min is not possible for this mix on this machine; running at "
        "{runs_per_min:.1f}/min: {reason}"
    ),
    "tempo.between": " ({max_per_min:g}/min between any two; their time varies by {vary_share:.0%})",
    "tempo.varied": "; the time between balls varies by {vary_share:.0%}",
    "tempo.feeder": "the feeder makes {high_balls_per_min:g}/min at most{varied}",
    "tempo.pair": "{after} after {before}",
    "tempo.never": 'a rule never = [["{before}", "{after}"]] would lift it to {tempo_per_min:.1f}/min',
    "throws.for-side": "for {side}",
    "throws.no-ball-type": "no ball type is called {name}",
    "throws.varied-less": "{mention} is varied less than written: {left_out} variations are past a limit here",
    "throws.needs-sidespin": (
        "it needs sidespin ({bent}) and {machine} has no head that rolls; choose a drill without, or "
        'write sidespin = "wanted" into it: these balls then come without'
    ),
    "throws.sidespin-left-out": (
        "sidespin is left out ({bent}): {machine} has no head that rolls, topspin is as written"
    ),
    "throws.needs-sides": (
        "it needs sides ({sides}) and {machine} has no pan; choose a drill that varies spin, depth or tempo instead"
    ),
    "throws.every-ball-without-sidespin": "every ball without sidespin",
    "throws.every-ball": "every ball",
    "throws.sides-left-out": "sides are left out: {machine} has no pan, {which} goes down the middle",
    "throws.set-fault": "set {number}: {fault}",
    "transition.recover": "{wheel} wheel needs {seconds:.2f} s to recover from each ball",
    "transition.wheel": "{wheel} wheel needs {seconds:.1f} s from {start_rpm:,.0f} to {end_rpm:,.0f} rpm",
    "transition.axis": "{axis} needs {seconds:.1f} s from {before:.1f} to {after:.1f} degrees",
    "step.another-ball": "take another ball or an easier drill",
    "step.another-level": (
        "give the player another level at rest: players add NAME level LEVEL, then: players choose NAME"
    ),
    "step.another-drill": "choose another drill or machine",
    "step.either": "{first}; or {second}",
    "fit.no-longer-apart": (
        "{machine} can't tell {first} from {second} any more: it throws {first_figures} and {second_figures}"
    ),
    "fit.beyond": "{error}; beyond what this type may be bent: {tolerance}",
    "fit.fitted": "fitted: {speed_mps:g} m/s {spin_text}",
    "fit.depth": ", {depth_cm:g} cm deep",
    "plan.to": " to {tempo_per_min:.{places}f}",
    "tempo.rises": "the tempo rises to {runs_per_min:.1f}/min here instead of {asked}: {reason}",
    "tempo.no-rise": (
        "its point is lost here: the tempo should rise from {asked_per_min:g} to {last_per_min:g}/min; {why}"
    ),
    "tempo.in-pairs": (
        "in pairs they would come at {tempo_per_min:.1f}/min, with {wait_s:g} s for each change: "
        'kind = "scenario", parts = [{parts}]'
    ),
    "tempo.late": "; if it is the longer, wheels or tilt arrive up to {late:.1f} s late",
    "tempo.doubt": (
        "by what is known of the machine, its slowest change needs {low_s:.1f} to {high_s:.1f} s "
        "from ball to ball, and the plan gives {planned_s:.1f} s{late}"
    ),
    "tilt.drift": (
        "the tilt moves {moves} times by time and may be off by {off_deg:.1f} degrees at the end; it "
        "finds its stop again after the set: shorter sets, or balls of one tilt after another, keep "
        "it nearer"
    ),
}
