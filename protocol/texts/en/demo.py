"""What the demo prints."""

from drillfeed.protocol.texts.rows import Row

TEXTS: dict[str, Row] = {
    "demo.no-exit-sensor": "(no exit sensor)",
    "demo.first-ball": "     first ball in {seconds} s",
    "demo.not-on-table": "not on the table",
    "demo.balls": (
        "balls    {commanded} commanded, {seen} seen leaving, {left} left by the driver's log, made: "
        "(nobody entered it)"
    ),
    "demo.moments": "moments  feeder at most {late_ms:.0f} ms off the plan; {skipped} skipped, {refused} refused",
    "demo.landed": "landed   {name:<22} {balls:>3} x  {mean_cm:4.0f}{spread} cm past the net",
    "demo.missed": "landed   {balls} missed the table",
    "demo.machine": "machine  {name}: {title}",
    "demo.drill": "drill    {name}: {title}; {balls} balls, {tempo}/min, seed {seed}",
    "demo.tempo": "tempo    {stretch}",
    "demo.balls-outside": "--balls {balls}; expected 1 to {max_balls}",
    "demo.seed-outside": "--seed {seed}; expected 0 to {max_seed}",
    "demo.refused": "refused: {text}",
    "demo.interrupt": "interrupt: stopping",
    "demo.plays-the-player": "     the demo plays the player: hopper filled, going on",
    "demo.header": "  n  ball                   planned s   true s  off ms  top rpm  bottom rpm  m/s   rev/s",
    "demo.header-side": "    side",
    "demo.header-landed": "  cm over net  landed, cm past net",
}
