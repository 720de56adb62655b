"""Aiming, calibrating and scattering: refusals, reports and labels of pictures."""

from drillfeed.protocol.texts.rows import Row

TEXTS: dict[str, Row] = {
    "calibrate.no-landing": "no landing was measured: wheel figures alone do not tell where balls land",
    "calibrate.too-few": (
        "{landings} landings in {rows} rows; at least {min_landings} in {min_rows} rows tell how balls scatter"
    ),
    "calibrate.exchanged": (
        "top and bottom seem to be exchanged, in the rows or at the wheels: read the other way "
        "round, the rows fit a machine far better"
    ),
    "calibrate.usual": "{name} {value:.2f} (usual {middle:.2f} +- {two_sd:.2f})",
    "calibrate.no-machine": (
        "no machine is likely to be so far off: {usual}; check the rpm and tilt in the rows, and "
        "diameters, inertia and opening in the profile"
    ),
    "calibrate.loose": (
        "landings scatter by {scatter_cm:.0f} cm about the fit, more than the landing zone's "
        "{zone_cm:.0f} cm: look for a loose part, worn tyres or a wrong figure in the file"
    ),
    "doubt.misfit": "its {what} does not fit the other rows",
    "doubt.landed": "landed at {landed_cm:.0f} cm, by the other rows it should be {expected_cm:.0f} cm",
    "doubt.exchanged": "; it fits with top and bottom exchanged",
    "doubt.line": "line {line}",
    "doubt.row": "row {row}",
    "doubt.place": "{where} ({top_rpm:g}/{bottom_rpm:g} rpm, {tilt_deg:g} degrees)",
    "plot.border": "border of the wheels",
    "plot.launch-speed": "launch speed, m/s",
    "plot.launch-spin": "spin at launch, rev/s (topspin positive)",
    "plot.lands-by": "lands {depth_cm:.0f} cm past the net by",
    "plot.after-touch": ("{speed_after_mps:.1f} m/s\n{spin} after"),
    "plot.over": "{net_clearance_cm:.0f} cm over",
    "plot.along": "along the table, cm",
    "plot.height": "height of the centre, cm",
    "plot.along-net-end": "along the table, cm (net at 137, end line at 274)",
    "plot.aside": "left of the centre line, cm",
    "plot.ellipse": ("{title}\n{depth_cm:.0f} cm past the net, {share_percent:.0f} % on the table"),
    "range.from-to": "{low:{sign}.{places}f} to {high:{sign}.{places}f}",
    "range.over-99": "over 99 %",
    "range.under-1": "under 1 %",
    "range.about": "about {percent:.0f} %",
    "aim.same-figures": "the same figures",
    "aim.rim-max": "needs the {fast} rim at {fast_mps:.1f} m/s; this machine's rims reach {max_mps:.1f}",
    "aim.reverse": "needs the {slow} rim at {slow_mps:.1f} m/s; this machine's wheels do not reverse",
    "aim.grip": "needs the {slow} rim at {slow_mps:.2f} m/s; to grip it must keep {grip_share:.0%} of the other's",
    "aim.rim-min": "needs the {slow} rim at {slow_mps:.2f} m/s; it turns steadily from {min_mps:.2f} up",
    "aim.tilt": "needs tilt {tilt_deg:.1f} degrees; this machine tilts {low:g} to {high:g}",
    "aim.pan": "needs pan {pan_deg:+.1f} degrees; {reach}",
    "aim.roll": "needs the head rolled {roll_deg:+.1f} degrees; {reach}",
    "aim.and": ", and ",
    "aim.no-axis": "this machine has no {axis}",
    "aim.reaches": "this machine reaches {low:g} to {high:g}",
    "aim.no-legal-ball": "no legal ball: on the only way there the ball {reason}",
    "aim.no-arc-whatever": "no arc meets this, whatever the {free}",
    "aim.no-arc": "no arc meets this",
    "aim.differs": "{found:.3g} {unit} for {number:.3g}",
    "aim.differs-cm": "{found_cm:.1f} cm for {asked_cm:.1f}",
    "aim.lands": "lands {depth_cm:.0f} cm past the net at tilt {tilt_deg:.1f}",
    "aim.nearest": "{differences} ({arc} arc, {speed_mps:.2f} m/s, {depth})",
    "report.right": "right",
    "report.left": "left",
    "report.likely": " (likely {range})",
    "report.high": " high",
    "report.length-open": "length open",
    "report.past-net": " past the net",
    "report.own-half": "own half",
    "report.touches": "touches",
    "report.above-table": " above the table",
    "report.on-table": "on the table    {share}",
    "report.over-net": "over the net    {share}",
    "report.in-zone": "in the zone     {share}",
    "report.middle": " (its middle likely {middle})",
    "report.landing": (
        "landing         {depth_cm:.0f} cm past the net{about}, +- {depth_sd_cm:.0f} cm along, +- "
        "{side_sd_cm:.0f} cm across (standard deviations)"
    ),
    "report.ellipse": (
        "nine in ten     within an ellipse of {long_cm:.0f} by {short_cm:.0f} cm, its long axis "
        "{angle_deg:+d} degrees from the table's"
    ),
    "report.uncalibrated": (
        "{name} is uncalibrated: wheels taken as known to {wheel_percent:g} % each, tilt to {tilt_deg:g} degree"
    ),
    "report.no-scatter": "{name} is {told}: it measured no scatter: the profile's is used",
    "report.scatter": "{name} is {told}: its measured scatter of {scatter_cm:g} cm is used",
    "report.extrapolated": "extrapolated: drag and lift were fitted to flights of {span}",
    "report.not-meant-for": "{text}, and are not meant for more than {span}",
    "report.span": "{slow_mps:g}-{fast_mps:g} m/s and {low_revps:g}-{high_revps:g} rev/s",
    "report.number-cm": "{number_cm:.0f} cm{after}{range}",
    "report.over-net-by": "over the net    {clearance}, underside over the tape",
    "report.highest": "highest         {height}, the centre",
    "report.edge": ", on the edge",
    "report.along": "{along_cm:.0f} cm along",
    "report.touch": "{half:<15} {along}, {aside}, after {t_s:.2f} s{edge}; leaves at {leaving}",
    "report.comes-down-again": "; comes down again {depth}",
    "report.depth": "depth           {depth}, {length}{way}",
    "report.end-line": "end line        after {t_s:.2f} s{range}, {height}, {speed_mps:.1f} m/s, {spin}; {aside}",
    "report.good": "a good ball",
    "report.no-good": "no good: {reason}",
    "report.no-good-share": "no good in {share} of the likely cases",
    "report.leaving": "{speed_after_mps:.1f} m/s{range}, {spin}",
    "report.side": ", side {sidespin:+.1f}",
    "report.side-whole": ", side {sidespin:+.0f}",
    "report.in-the-middle": "in the middle",
    "report.aside": "{aside_cm:.0f} cm {way}",
    "aim.right": "right",
    "aim.left": "left",
    "aim.two-figures": "spin and exactly two of {asked} are needed; found {names}",
    "aim.outside": "{name} {number:g}; expected {low:g} to {high:g}",
    "aim.topspin": "{spin_revps:+g} rev/s",
    "aim.topspin-and-sidespin": "{topspin:+.1f} rev/s, side {sidespin:+.1f}",
    "aim.spin": "spin {spin}",
    "aim.length-cm": "{word} {length_cm:.4g} cm",
    "aim.aside": "{aside_cm:.4g} cm {way}",
    "aim.arc": ", {arc} arc",
    "aim.with-nearest": "{reason}; nearest: {differs}",
    "plot.side-view": "     cm along the table; net at 137; o path, x touch, heights in cm at the left",
    "spread.uncalibrated": "while this machine is uncalibrated",
    "spread.this-machine": "on this machine",
    "spread.none-land": "none of these will land on the table {where}",
    "spread.many-miss": "{about}{tenths} in 10 of these will miss the table {where}",
    "spread.some-miss": "{about}1 in {one_in} of these will miss the table {where}",
    "measure.timing": "timing",
    "measure.spin-count": "spin count",
    "measure.tachometer-top": "tachometer on top",
    "measure.tachometer-bottom": "tachometer below",
    "report.likely-means": (
        "likely: nine in ten, as widely as drag, lift, friction and restitution are known; the launch taken as exact"
    ),
    "report.spin": "{topspin_revps:+.0f} rev/s{about}{side}",
    "aim.word-sidespin": "sidespin",
    "aim.word-depth": "depth",
    "aim.word-net-clearance": "net clearance",
    "aim.word-apex": "apex",
    "aim.word-side": "side",
    "aim.word-speed": "speed",
    "aim.word-spin": "spin",
    "aim.word-tilt": "tilt",
    "aim.word-arrival": "arrival",
    "report.solution": (
        "{arc:<10} {speed_mps:5.2f} m/s {topspin:+5.1f} rev/s{side}  tilt {tilt_deg:6.2f}{pan}{roll} "
        " top {top_rpm:5.0f} rpm  bottom {bottom_rpm:5.0f} rpm  depth {far}{aside} {length:<9} net "
        "{over:<18}  after the bounce {bat:<31} {depth_per_degree_cm:+.1f} cm/degree, "
        "{depth_per_percent_cm:+.1f} cm/% speed"
    ),
    "report.pan": "  pan {pan_deg:+.1f}",
    "report.roll": "  roll {roll_deg:+.1f}",
    "report.beside": "beside",
    "report.uncalibrated-profile": (
        "{name} is uncalibrated: by its profile the wheels are known to {wheel_percent:.1f} %, the "
        "tilt at its stop to {stop_deg:.1f} degrees"
    ),
}
