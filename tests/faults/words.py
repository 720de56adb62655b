"""What can be typed, drawn from the command table: well, and badly in one place."""

from collections.abc import Mapping

from hypothesis import strategies as st

from drillfeed.protocol.arguments import MAX_NAME_CHARACTERS
from drillfeed.protocol.commands import COMMANDS, Argument, Command, CommandSpec, Value, line_of
from drillfeed.protocol.spec import Among

NAMES: Mapping[Among, tuple[str, ...]] = {
    "commands": ("load", "trim"),
    "drills": ("lift-the-push", "steady-drives"),
    "balls": ("light-push", "heavy-push"),
    "players": ("left-hander", "right-hander"),
}
"""Names that are known, by what they are among; the drills are short enough to be planned at once."""
STRANGE = ("nobody", "x y", "é")
CLOSING = {"quit", "relay"}
"""These give the connection up, or speak for another from then on: typed at the end and the beginning of a talk."""

WALKS: tuple[tuple[str, ...], ...] = (
    ("load lift-the-push seed 1 balls 6", "arm", "start {count}", "harder", "queue steady-drives balls 4", "pause",
     "slower", "swap light-push to heavy-push", "resume", "easier", "faster", "disarm"),
    ("players add left-hander hand left level club", "players choose left-hander", "load steady-drives balls 4",
     "trim light-push long 2", "balls 40", "arm", "throw light-push {count}", "mark made 1 of 2", "pause", "resume",
     "skip", "history"),
    ("arm", "setup on", "hold 1", "jog top 300", "hold 2", "feed one", "hold 3", "setup off"),
    ("clear", "crank-at-mark", "load lift-the-push", "arm", "offer", "confirm 1", "ready", "clients", "list balls"),
)  # fmt: skip
"""Lines that lead through the states, in their order; {count} is the stop count."""

ON_NO_WAY = tuple(
    row.example
    for verb, row in COMMANDS.items()
    if verb not in CLOSING and not any(line.split()[0] == verb for way in WALKS for line in way)
)
"""The example of each row that no way has, so that every row is typed whatever chance draws."""


def value_of(argument: Argument) -> st.SearchStrategy[Value]:
    """Draw a value that fits an argument; a name may be strange to the daemon."""
    if argument.kind == "choice":
        return st.sampled_from(argument.choices)
    if argument.kind == "name":
        return st.sampled_from((*NAMES.get(argument.among, ()), *STRANGE))
    low, high = int(argument.minimum or 0), int(argument.maximum or 0)
    return st.integers(low, min(high, low + 40)) | st.integers(low, high)


@st.composite
def commands(draw: st.DrawFn, verbs: tuple[str, ...]) -> Command:
    """Draw a command of one of these verbs."""
    row = COMMANDS[draw(st.sampled_from(verbs))]
    placed = [argument for argument in row.arguments if not argument.keyed]
    given = draw(st.integers(sum(not argument.optional for argument in placed), len(placed)))
    left_out = {
        argument.name for argument in row.arguments if argument.keyed and argument.optional and draw(st.booleans())
    }
    chosen = placed[:given] + [
        argument for argument in row.arguments if argument.keyed and argument.name not in left_out
    ]
    return Command(row.verb, {argument.name: draw(value_of(argument)) for argument in chosen})


def command_lines() -> st.SearchStrategy[str]:
    """Draw a line of any row that leaves the connection as it is."""
    return commands(tuple(verb for verb in COMMANDS if verb not in CLOSING)).map(line_of)


def bad_words(argument: Argument) -> tuple[str, ...]:
    """Return words that an argument of this kind never is."""
    if argument.kind == "name":
        return ("x" * (MAX_NAME_CHARACTERS + 1), '"not closed', '""')
    if argument.kind == "choice":
        return ("neither", '"quoted"')
    ends = [str(int(end) + step) for end, step in ((argument.minimum, -1), (argument.maximum, 1)) if end is not None]
    return (*ends, "many", "nan", "1e3", "--1")


@st.composite
def spoilt_lines(draw: st.DrawFn) -> str:
    """Draw a line with one mistake: a value that does not fit, one that is missing, or a word too many."""
    row = COMMANDS[draw(st.sampled_from([row.verb for row in COMMANDS.values() if not row.ignores_more]))]
    required = [argument for argument in row.arguments if not argument.optional]
    on_the_whole, too_few = draw(st.booleans()), draw(st.booleans())
    if not row.arguments or on_the_whole:
        if required and too_few:
            return row.verb
        line = line_of(draw(commands((row.verb,))))
        return line + " and more than this" if not _open(row) else row.verb + ' "not closed'
    spoilt = draw(st.sampled_from(row.arguments))
    words = [row.verb]
    for argument in row.arguments:
        if argument is spoilt:
            words += [argument.name] * argument.keyed + [draw(st.sampled_from(bad_words(argument)))]
            break
        if not argument.keyed or not argument.optional:
            value = str(draw(value_of(argument)))
            words += [argument.name] * argument.keyed + [f'"{value}"' if argument.kind == "name" else value]
    return " ".join(words)


def _open(row: CommandSpec) -> bool:
    """Tell whether words after a line may be taken for arguments that were left out."""
    return any(argument.optional for argument in row.arguments)
