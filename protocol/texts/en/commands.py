"""Texts about commands."""

from drillfeed.protocol.texts.rows import RefusalText, Row

TEXTS: dict[str, Row] = {
    "way.connect": "connect a motor driver",
    "way.start": "start with the present stop count",
    "way.first-ball": "wait for the first ball",
    "way.end-of-set": "wait for the end of the set",
    "way.wheels-at-rest": "wait until the wheels are at rest",
    "help.example": "example: {example}",
    "help.open-to": "open to: {who}",
    "help.in-state": "in state: {states}",
    "help.one-of": "one of ",
    "help.range": "{low:.12g} to {high:.12g} {unit}",
    "help.optional": "may be left out",
    "help.only-here": "{who}; on the machine itself",
    "line.bad-byte": "byte {number} is {byte:02x} hex",
    "line.control-character": "character {number} is the control character {character:02x} hex",
    "line.reply-does-not-end": "the reply does not end; expected a line that begins with 'done' or 'no'",
    "line.unexpected": "expected a line that begins with '|', '!', 'done' or 'no'; found {line!r}",
    "line.no-notice": "expected a notice as JSON; found {line!r}",
    "command.help": "tell what can be typed",
    "command.help.details": (
        "Without a verb: one line for each command. With one: its arguments, who may give it and when."
    ),
    "command.list": "list what can be loaded or is known",
    "command.list.details": "One data line for each; what this machine cannot do is marked with the reason.",
    "command.load": "load a drill, ready to be started",
    "command.load.details": (
        "The drill is planned for this machine before it is accepted; where the tempo has to be "
        "stretched, the answer says so. The same seed gives the same balls. `balls` shortens the "
        "drill to so many balls. Sides are those of the player's hand."
    ),
    "command.arm": "make the machine ready; wheels stay still",
    "command.arm.details": (
        "The driver is asked to get ready and the answer comes when it has said so. Nothing moves before `start`."
    ),
    "command.disarm": "give up readiness; the wheels run out if they turn",
    "command.disarm.details": "The way back to IDLE without a stop. In a rest or a pause it ends the drill.",
    "command.start": "start the loaded drill after its start delay",
    "command.start.details": (
        "Quotes the stop count, which `status` prints together with the line to type. Every stop and "
        "fault raises the count, so that a start that was sent before a stop and arrives after it is "
        "refused. A cue comes before the wheels turn and the countdown ends with the first ball leaving."
    ),
    "command.throw": "throw one ball of one type after a countdown",
    "command.throw.details": (
        "For a first look and for trimming. Quotes the stop count as `start` does; wheels turn after "
        "the cue, one ball is thrown, the wheels run down. What is loaded stays loaded."
    ),
    "command.pause": "feed no more balls for now",
    "command.pause.details": (
        "Open to all, in every state. One ball already on its way may still leave. The wheels are "
        "held for 10 s at most and then run down. Where nothing runs it has no effect, and the "
        "answer says so."
    ),
    "command.resume": "go on after a pause, with a countdown",
    "command.resume.details": "Goes on with the next ball of the set after the resume delay.",
    "command.ready": "end a rest that waits for the player",
    "command.ready.details": "The next set starts with its cue and its full countdown.",
    "command.stop": "stop: the feed closes at once and the wheels run down at once",
    "command.stop.details": (
        "Open to all, in every state, from every connection; it waits for no other line and is never "
        "refused. Words after it are ignored. One ball already fed may still leave. The byte 18 hex "
        "(CAN, Ctrl-X) does the same in the middle of anything. This is no cut-off of power: fit a "
        "switch within reach that cuts the motors' supply."
    ),
    "command.skip": "leave the rest of this set and go to the next",
    "command.skip.details": "The next set begins with its own first ball, after a countdown.",
    "command.clear": "acknowledge a fault; moves nothing",
    "command.clear.details": (
        "Look at the machine first: cut the power and wait for the wheels before reaching in. "
        "Refused while the cause lasts. What calls for a look at wheels, sensors or driver is "
        "cleared on the machine itself, not from afar. After it `arm` and `start` are needed as "
        "after power-up."
    ),
    "command.status": "tell the state, why, and what to type next",
    "command.status.details": (
        "For people aligned lines, blank where a figure is not known. `json` gives one data line with one JSON object."
    ),
    "command.watch": "be told what happens, as it happens",
    "command.watch.details": (
        "Notices begin with `!`. A client that reads too slowly misses some and is told how many. "
        "`json` gives each notice as one JSON object."
    ),
    "command.balls": "tell how many balls are in the hopper",
    "command.balls.details": "The count goes down with each ball fed. Until it is told it is unknown.",
    "command.crank-at-mark": "tell that the crank was turned to its mark by hand",
    "command.crank-at-mark.details": (
        "For a crank that turns by time only: its phase drifts with each turn and is unknown after a "
        "stop in mid-turn. Cut the motor power, turn it to the mark, then type this."
    ),
    "command.easier": "go one step easier, at once",
    "command.easier.details": (
        "The next step of the ladder that the drill says; without one, 5 balls a minute less than it "
        "runs at. Holds from the first ball whose wheels have not started. `status` names the step."
    ),
    "command.harder": "go one step harder when the set is over, or at a pause",
    "command.harder.details": (
        "The next step of the ladder that the drill says; without one, 5 balls a minute more. It is "
        "announced; nothing that runs gets harder before its set is over. Never above the drill's "
        "and the machine's limits."
    ),
    "command.slower": "5 balls a minute less, at once",
    "command.slower.details": (
        "Less than what runs, not than what was asked. Holds from the first ball whose wheels have not started."
    ),
    "command.faster": "5 balls a minute more when the set is over, or at a pause",
    "command.faster.details": (
        "Never above the drill's and the machine's limits; refused with the reason where nothing would get faster."
    ),
    "command.swap": "throw another ball in place of one, when the set is over or at a pause",
    "command.swap.details": (
        "`swap heavy-push to light-push` throws light pushes from then on. A ball without a side is "
        'meant on every side and keeps it; one side alone is written in quotes: `swap "rally-topspin '
        'to forehand" to flat-block`.'
    ),
    "command.queue": "say which drill is next",
    "command.queue.details": (
        "It follows the running drill through a rest that waits for `ready`; `skip` in the last set "
        "brings it nearer. A stop or a fault leaves it loaded, to be started like any other. The "
        "last one queued counts."
    ),
    "command.mark": "write down what was made",
    "command.mark.details": (
        "With a count it is about a set, the last one thrown or the one named: `mark made 14 of 20`, "
        "or `mark missed 6`. Without a count it is about one ball: `mark missed`, `mark made ball "
        "12`. A later mark stands in place of an earlier one. What nobody marks stays blank."
    ),
    "command.trim": "shift where one ball type lands on this machine",
    "command.trim.details": (
        "Kept from day to day, for each machine and ball type, apart from calibration, and added up: "
        "`trim light-push long 8`, then `short 3`, is 5 cm longer in all. It holds from the next "
        "`load` or `throw`. Without a direction: tells it. `off` forgets it. Left and right are the "
        "thrower's and need a machine that pans."
    ),
    "command.players": "list the players, add one, or say who plays",
    "command.players.details": (
        "Names are kept in the journal of this machine and nowhere else; use any that tell your "
        "players apart. `players add left-hander hand left level junior elbow 8`; added again, it "
        "changes what is said. `players choose left-hander` is possible in IDLE alone, brings the "
        "player's hand and elbow and the limits of the level (tempo, balls a set, ball speed and "
        "types, rims) and holds until the daemon ends; what is loaded has to be loaded again. "
        "`players choose` alone: nobody in particular, limits of machine and drill alone."
    ),
    "command.history": "tell what was practised today",
    "command.history.details": (
        "Today's sessions, the balls of the day and of seven days, and what was made. What nobody "
        "saw or marked is blank. `drillfeed history` in a shell tells more."
    ),
    "command.offer": "offer to go on; the player confirms it or lets it pass",
    "command.offer.details": (
        "For a coach who may not see whether the table is clear. Armed it offers the start, in a "
        "rest the next set, in a pause to go on. It moves nothing. It lapses after 60 s and with "
        "whatever changes the state."
    ),
    "command.confirm": "take up an offer, quoting its number",
    "command.confirm.details": (
        "Does what was offered, with its cue and its full countdown. `status` shows the number; an "
        "offer that has lapsed is refused."
    ),
    "command.invite": "show a code that pairs one client from elsewhere",
    "command.invite.details": (
        "The code holds for two minutes and for one client. It is given on the machine itself, to be "
        "read out or scanned. Nothing on this line is encrypted: who listens in on the network can "
        "read code and key."
    ),
    "command.pair": "be the player or the coach on this connection",
    "command.pair.details": (
        "With a code from `invite`: the answer holds a key in a data line `key KEY`, for later "
        "connections. With that key: the same role again. A data line `role ROLE` tells which. After "
        "three wrong ones each further try has to wait longer; a stop never waits."
    ),
    "command.clients": "list the clients that hold a key",
    "command.clients.details": (
        "One data line each: its number, its role, and since when. Keys themselves are not kept, only their hashes."
    ),
    "command.unpair": "make a key worthless",
    "command.unpair.details": "Connections that hold it fall back to what they are without it, at once.",
    "command.relay": "speak for a client elsewhere, and be no more than it",
    "command.relay.details": (
        "For programs that pass on the lines of others, such as the one behind the phone page. From "
        "here on this connection is what its client is: anyone, until it pairs. There is no way back."
    ),
    "command.setup": "go into set-up at the machine, or out of it",
    "command.setup.details": (
        "For turning one axis or throwing one ball by hand, slowly. At most 1.5 m/s at the rim. "
        "Nothing moves unless `hold` comes again and again; 300 ms after the last, it stops. Eye "
        "protection on; nobody in front of the opening. `setup off`, `stop` and every fault lead out "
        "of it, and the thrower is not armed any more."
    ),
    "command.hold": "keep what was asked for going for another 300 ms",
    "command.hold.details": (
        "Send it each 100 ms with a greater number each time, as long as a hand is on the key and "
        "not a moment longer. After a gap of over 300 ms it is a new hold: what was asked for before "
        "is forgotten."
    ),
    "command.jog": "turn a wheel or the tilt while it is held",
    "command.jog.details": (
        "At most 1.5 m/s at the rim. Nothing moves unless `hold` comes again and again; 300 ms after "
        "the last, it stops. A wheel with 0 runs down."
    ),
    "command.feed": "throw one ball while it is held",
    "command.feed.details": (
        "With both wheels jogged and arrived. One ball a hold: for another, let go and begin again."
    ),
    "command.cautions": "acknowledge the cautions; once, before the first arm",
    "command.cautions.details": (
        "Eyes: never look into the opening; wear eye protection in front of it while setting up. "
        "Fingers, hair and sleeves: keep clear of the wheels. Cut the power and wait for the wheels "
        "before clearing a jam. Nobody between thrower and table. Not for unattended children; small "
        "balls are a choking hazard. Battery: the right charger, never a damaged pack. Check at low "
        "speed after every change. Mind daily ball totals. Local rules and licensed practice come "
        "first. This software performs no safety function."
    ),
    "command.quit": "close this connection; what runs goes on",
    "command.quit.details": "Closes after the answers of all lines before it.",
}

REFUSALS: dict[str, RefusalText] = {
    "line.unknown-command": RefusalText("unknown-command", "there is no command {command}", do="{do}"),
    "line.unknown": RefusalText("unknown-command", "there is no command {command}", do="help"),
    "line.not-written": RefusalText("bad-argument", "{verb} with {values}", expected="{usage}"),
    "line.not-open": RefusalText(
        "not-allowed",
        "{verb} is not open to the role {role}",
        expected="one of: {may}",
        do="ask one of them; status, pause and stop are open to all",
    ),
    "line.only-here": RefusalText(
        "not-allowed",
        "{verb} is given on the machine itself",
        expected="its Unix socket or loopback",
        found="{where}",
        do="ask whoever is there",
    ),
    "line.not-now": RefusalText(
        "wrong-state", "{what} is not possible now", expected="{states}", found="{state}", do="{steps}"
    ),
    "argue.bad": RefusalText("bad-argument", "{what}", expected="{usage}", found="{found}", do="help {verb}"),
    "line.other-protocol": RefusalText(
        "other-protocol",
        "this connection is closed, and nothing more of it is read",
        expected="lines of text as in COMMANDS.md",
        found="{protocol}",
    ),
    "line.too-long": RefusalText(
        "line-too-long",
        "the line is too long and is skipped up to its end",
        expected="at most {max_bytes} bytes",
        do="help",
    ),
    "line.bad-bytes": RefusalText(
        "bad-bytes", "the line is not plain text", expected="UTF-8 without control characters", found="{found}"
    ),
    "line.no-help": RefusalText("unknown-command", "there is no command '{verb}'", do="{do}"),
    "line.renamed": RefusalText("unknown-command", "{command} is called {new} now", do="{do}"),
    "line.renamed-help": RefusalText("unknown-command", "'{verb}' is called {new} now", do="help {new}"),
}
