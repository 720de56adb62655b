"""Ball types, drills, sequences, the ladder and the limits of players."""

from drillfeed.protocol.texts.rows import Forms, Row

TEXTS: dict[str, Row] = {
    "ball.tilt-or-landing": "tilt_deg, or where the ball lands: depth_cm, length or both",
    "ball.not-both": "either tilt_deg or depth_cm and length, and not both",
    "ball.max-spin": "topspin and sidespin of {max_revps} rev/s at most together, sqrt(top^2 + side^2)",
    "ball.topspin": "{spin_revps:+g} rev/s",
    "ball.side": ", side {side_revps:+g}",
    "ball.without-sidespin": "{title}, without its sidespin",
    "surprise.figures": (
        "what comes: {shares}; a player who counts can't know {bits:.2f} bits a ball and guesses {guessed:.0%} right; "
        "{forced:.0%} of the balls leave no choice ({how})"
    ),
    "surprise.exact": "exact",
    "surprise.drawn": "from {draws} seeded draws",
    "ball.twice": "the same name twice",
    "ball.once": "each name once",
    "drill.bursts": "min_balls not above max_balls",
    "drill.quotas": "balls = {balls}, what the quotas make together",
    "drill.warm-up-alone": "one kind of ball in a fixed sequence in a set that warms up",
    "drill.rung-empty": "a change: tempo_change_per_min, balls_change, weights or swap",
    "drill.max-balls": "max_balls of at least {balls}, the balls of all sets together",
    "drill.max-per-min": "max_per_min of at least {fastest:g}, the fastest set",
    "drill.warm-up-first": "warm_up in the first set alone",
    "drill.warm-up-slow": "a warm-up no faster than the sets after it",
    "drill.weights": "weights in '{title}' only for balls of the drill; not {strange}",
    "ladder.rung": "rung {rung:+d}",
    "ladder.tempo": "tempo {tempo_per_min:+g}/min",
    "ladder.as-written": "as written",
    "ladder.no-such-ball": "{drill} throws no {old}; it throws {balls}",
    "ladder.too-slow": "{wanted:.1f}/min is slower than a set may run, {min_per_min:g}/min",
    "ladder.invalid": "so changed the drill no longer holds together: {error}",
    "ladder.too-many": "{balls} balls; a drill holds {max_balls} at most",
    "profile.owner": "the player's profile {level}",
    "profile.no-locked": ", none that are locked",
    "profile.limits": (
        "{level}: {max_per_min:g}/min, {max_set_balls} balls a set, balls to {max_mps:g} m/s of "
        "level {max_ball_level} at most{locked}, rims to {max_rim_mps:g} m/s"
    ),
    "profile.ball-level": "a ball of level {level}; {max_ball_level} at most by {owner}",
    "profile.locked": "locked, until the configuration says locked_balls = true in [players.{level}]",
    "profile.ball-speed": "{speed_mps:g} m/s; {max_mps:g} m/s at most by {owner}",
    "profile.nobody": "nobody is chosen: those of machine and drill alone",
    "quota.other-number": "{set_balls} balls, but the quotas make {balls}; give the set balls = {balls}",
    "quota.too-alike": (
        "{n} x {ball} among {others} other balls with at most {limit} in a row: at most {fit} fit; "
        "max_alike = {max_alike} or more makes it possible"
    ),
    "quota.begin": (
        "it can't begin with {begin}, the easiest: the others then fit no more with at most "
        '{max_alike} in a row; write first = "drawn", or raise max_alike'
    ),
    "scenario.weights": "as many weights as choices, {choices}",
    "scenario.no-ball": "a ball in every repetition and in every choice; one holds waits alone",
    "side.ball-to-side": "a ball type, or BALL to SIDE with a side of {sides}",
    "weights.shares-above-1": "shares after {last} that make 1 or less together; these make {total:g}",
    "weights.after-and-never": "{ball} after {last} either in `after` or in `never`, not in both",
    "weights.nothing-left": "after {alike} x {last} no ball is left that the rules allow; max_alike is too small",
    "weights.shares-below-1": "the shares after {last} make {total:.0%} and no other ball may take the rest",
    "weights.strange": "only balls that have a weight in `{where}`; not {strange}",
    "machine.high-rpm": "either high_rpm (of the wheel) or motor_high_rpm with gear_ratio, and not both",
    "machine.gear-ratio": "gear_ratio beside motor_high_rpm",
    "machine.low-above-high": "a low limit below the high limit",
    "machine.brake-rates": "down_mps2 and quick_mps2 where brake is 'yes'",
    "machine.coasting": "coast_time_constant_s where brake is 'none'",
    "machine.no-brake-rates": "no down_mps2 and no quick_mps2 where brake is 'none': the wheel coasts",
    "machine.spin-down": "spin_down_s of at least a tenth of coast_time_constant_s",
    "machine.low-deg": "low_deg below high_deg",
    "machine.low-rate": "low_balls_per_min below high_balls_per_min",
    "machine.crank-drift": "phase_error_per_turn above 0 for a crank by time only",
    "machine.crank-by-time": "phase_error_per_turn only for a crank by time only",
    "machine.low-at": "hopper.low_at below hopper.balls",
    "machine.roll-upright": (
        "roll.low_deg to roll.high_deg with 0 in it: a ball without sidespin needs the head upright"
    ),
    "machine.supply": "supply.low_v below supply.high_v",
    "machine.absurd": "figures that can be worked with; one is far too large or too small",
    "ladder.ends": Forms(
        one="the ladder of {drill} has {count} {side} step and no more",
        other="the ladder of {drill} has {count} {side} steps and no more",
    ),
    "ladder.slower": "slower",
    "ladder.faster": "faster",
    "ball.tolerance": ("speed {speed_mps:g} m/s, spin {spin_share:.0%} or {spin_revps:g} rev/s, depth {depth_cm:g} cm"),
    "drill.lasts": "lasts_s without a quota and without tempo_rise_per_min",
    "drill.lasts-balls": "balls of at least {need} in a set of {lasts_s:g} s, what fits at its tempo",
    "drill.check-set": "a fixed sequence, and no warm-up, in a set that checks",
    "machine.drift": "drift_deg_per_move only with by_time = true",
    "machine.by-time": "by_time only in [tilt], not in [{axis}]",
    "machine.known": "known: paths of keys of this file, not {paths}",
}
