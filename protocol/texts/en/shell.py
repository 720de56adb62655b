"""Texts about shell."""

from drillfeed.protocol.texts.rows import RefusalText, Row

TEXTS: dict[str, Row] = {
    "open.not-encrypted": (
        "others on the network can see the status, pause and stop; what else they may needs pairing. "
        "Nothing is encrypted: codes, keys and commands can be read by whoever listens in"
    ),
    "daemon.loop-stands-still": "a loop stands still; the watchdog is not fed",
    "daemon.mistake": "a mistake in drillfeed",
    "desk.for-player": ", for {owner}",
    "desk.more-mistakes": " (and {mistakes} more)",
    "door.bind-error": "error while attempting to bind on address {address}: {why}",
    "door.no-address": "{host} has no address to listen on",
    "door.no-socket": "{path} is no socket; expected a socket left by an earlier run, or nothing",
    "door.in-use": "{path} is in use ({error})",
    "door.answers": "a daemon answers at {path}; stop that one first, or choose another --socket",
    "endpoint.not-bound": "{endpoint} cannot be bound: {lock}: {why}",
    "endpoint.no-socket": "{endpoint} cannot be bound: {place} is no socket; choose another name, or remove it",
    "endpoint.taken": "{endpoint} cannot be bound: another program listens there",
    "endpoint.other-program": "another program listens there",
    "endpoint.cannot-bind": "{endpoint} cannot be bound: {what}",
    "instance.another": "another daemon drives {machine} (process {other}; {path})",
    "instance.no-folder": "neither {path} nor a folder above it can be opened",
    "line.state": "{state}; next: {next_step}",
    "line.pairing": "one {role} can pair within {seconds:g} s by typing: pair {code}",
    "line.role": "you are the {role} on this connection",
    "line.key-forgotten": "; the key will be forgotten when the daemon ends ({why})",
    "line.keep-key": "{told}; keep the key for later{after}",
    "line.paired": "{number} paired",
    "line.unpaired": "this client is no longer paired",
    "line.forgotten": "{number} forgotten",
    "line.passed-on": "{address}, passed on",
    "line.speaks-for": "this connection speaks for {address}, who is anyone until paired",
    "line.idle": "idle, and another client needs the place",
    "line.stop-taken": "the stop was taken",
    "line.shutting-down": "the daemon is shutting down",
    "line.mistake": "a mistake in drillfeed; nothing was changed; see its log",
    "line.missed": "{missed} notices were not sent; status tells the present state",
    "throw.one-ball": "one ball: {title}",
    "practice.and": " and ",
    "practice.right": "right",
    "practice.left": "left",
    "practice.shorter": "shorter",
    "practice.longer": "longer",
    "practice.player-added": "{player}; next: players choose {name}",
    "practice.plays": ", plays",
    "practice.plays-as-chosen": ", plays as chosen: {player}",
    "practice.who-plays": "{name} plays",
    "practice.nobody-plays": "nobody in particular plays",
    "practice.trim": "{name} {lands} on {machine}",
    "practice.by-the-model": ", by the model {depth_cm:.0f} cm past the net",
    "practice.trimmed": "{name} {lands}{model}; from the next load or throw on",
    "practice.elbow": ", elbow {elbow_cm:g} cm towards the forehand",
    "practice.player": "{name}: {hand}-handed, {level}{elbow}",
    "practice.along": "{along_cm:g} cm {way}",
    "practice.aside": "{aside_cm:g} cm further to the thrower's {way}",
    "practice.lands": "lands {parts}",
    "practice.not-trimmed": "is not trimmed",
    "open.folder-or-nothing": "a folder, or nothing yet",
    "open.no-state-folder": "no state folder",
    "open.machine": "machine   {name}; comes up at rest; waiting for a motor driver",
    "open.at-rest": "{name}, at rest",
    "open.stopping": "stopping; a second signal leaves at once",
    "practice.no-answer": "no answer",
    "throw.perhaps": "perhaps {balls}",
}

REFUSALS: dict[str, RefusalText] = {
    "planner.closed": RefusalText("busy", "the daemon is shutting down", do="try again later"),
    "planner.none": RefusalText("busy", "the system starts no planner just now", do="try again later"),
    "planner.too-long": RefusalText(
        "bounds",
        "working it out took more than {limit_s:g} s and was given up",
        do="take a smaller drill, or one with fewer variations",
    ),
    "planner.ended": RefusalText(
        "bounds", "working it out ended the planner", do="take a smaller drill, or one with fewer variations"
    ),
    "planner.memory": RefusalText(
        "bounds", "working it out takes too much memory", do="take a smaller drill, or one with fewer variations"
    ),
    "line.too-fast": RefusalText(
        "too-fast",
        "thrown away: too many lines wait for their answers (a stop among them was carried out)",
        expected="at most {lines} waiting lines",
        do="wait for answers before sending more",
    ),
    "desk.mistake": RefusalText("internal", "drillfeed made a mistake; see its log"),
    "desk.path": RefusalText(
        "not-allowed",
        "a drill is named by its path only at the machine itself",
        expected="the name of a drill",
        do="list drills",
    ),
    "desk.too-many-balls": RefusalText(
        "bounds", "too many balls for one run", expected="{max_balls} at most", found="{balls}"
    ),
    "desk.no-journal": RefusalText("not-recorded", "this daemon keeps no journal"),
    "desk.unknown": RefusalText("unknown-name", "{file}: {found}", expected="{allowed}"),
    "desk.not-a-drill": RefusalText(
        "bad-file",
        "{file} cannot be read as a drill",
        expected="a regular file of at most 256 KiB with a drill in it",
        do="drillfeed check {file}",
    ),
    "desk.bad-file": RefusalText("bad-file", "{first}{more}", do="drillfeed check {file}"),
    "line.not-forgotten": RefusalText("not-recorded", "{told} until the daemon ends, not on disk ({error})"),
    "line.relay": RefusalText("bad-argument", "relay needs the client's address", expected="an IP address"),
    "line.no-room": RefusalText("too-many-clients", "there is no room; this connection may only stop", do="try later"),
    "pairing.wait": RefusalText(
        "wait", "too many wrong codes or keys", do="wait {wait_s:.0f} s; stop and pause stay open"
    ),
    "pairing.unknown-code": RefusalText(
        "not-paired",
        "no such code or key",
        expected="a code not older than {seconds:g} s and not used yet, or a key that was given",
        do="have a new one shown on the machine: invite player, or invite coach",
    ),
    "pairing.unknown-client": RefusalText("unknown-name", "no client {client} is paired", do="clients"),
    "pairing.full": RefusalText("busy", "{clients} clients are paired already", do="clients, then: unpair N"),
    "practice.no-name": RefusalText("bad-argument", "the name is missing", do="players add NAME hand left level club"),
    "practice.no-more-words": RefusalText(
        "bad-argument", "{action} takes no more words", do="players add NAME hand left level club"
    ),
    "practice.trim-way": RefusalText("bad-argument", "a way goes with centimetres, off with none", do="help trim"),
    "practice.trim-not-kept": RefusalText("not-recorded", "the trim cannot be kept: {why}"),
    "practice.journal-makes-no-sense": RefusalText(
        "not-recorded", "the journal holds what makes no sense: {error}", do="status"
    ),
    "practice.journal-unusable": RefusalText("not-recorded", "the journal cannot be used: {why}", do="status"),
    "practice.along-only": RefusalText(
        "not-possible",
        "{machine} is trimmed along the table only",
        expected="long or short",
        do="turn the thrower by hand to move {ball} to the {way}",
    ),
    "practice.by-tilt": RefusalText(
        "not-possible",
        "{ball} is given by its tilt, not by where it lands",
        expected="a ball type with depth_cm or length in its file",
        do="change tilt_deg there",
    ),
    "practice.trim-too-much": RefusalText(
        "bounds", "the trim in all", expected="{max_cm:g} cm at most", found="{moved_cm:g} cm"
    ),
}
