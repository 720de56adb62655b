"""What becomes of a ball in flight, and air that cannot be."""

from drillfeed.protocol.texts.rows import Row

TEXTS: dict[str, Row] = {
    "air.temperature": "air temperature {temp_c:g} C; expected -40 to 60 C",
    "air.pressure": "air pressure {pressure_pa:g} Pa; expected 30000 to 120000 Pa",
    "air.humidity": "relative humidity {relative_humidity:g}; expected 0 to 1 (0.5 is 50 %)",
    "air.altitude": "altitude {altitude_m:g} m; expected -500 to 6000 m",
    "flight.below": "below",
    "flight.over": "over",
    "flight.net": "touches the net, its underside {gap}",
    "flight.side": "hits the side of the table",
    "flight.twice-own-half": "bounces twice on the thrower's half",
    "flight.gap": "{gap_cm:.1f} cm {way} the tape",
    "flight.own-half": "bounces on the thrower's half and does not come down on the player's",
    "flight.short": "falls short of the net without touching the table",
    "flight.past": "misses the table: comes down past it or beside it",
}
