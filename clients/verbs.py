"""The commands as typed methods, all built on one method `ask`.

Rule of this file: each row of the command table has one method, with the arguments in the table's order. The table
writes every line, so a client can't send what the daemon does not know. A test compares the methods with the table.
"""

from typing import Literal, Protocol

from drillfeed.protocol.commands import Value
from drillfeed.protocol.lines import Reply


class Verbs(Protocol):
    """Every command that can be typed, for a class with `ask`; a refusal comes back as a Reply that is not `ok`."""

    def ask(self, verb: str, /, **values: Value | None) -> Reply:
        """Send a command of the table with the values that are not None, and wait for its reply."""

    def help(self, verb: str | None = None) -> Reply:
        """Tell what can be typed."""
        return self.ask("help", verb=verb)

    def list(self, of: Literal["drills", "balls", "machines"]) -> Reply:
        """List what can be loaded or is known."""
        return self.ask("list", of=of)

    def load(
        self,
        name: str,
        seed: int | None = None,
        balls: int | None = None,
        hand: Literal["right", "left"] | None = None,
        elbow: float | None = None,
    ) -> Reply:
        """Load a drill by name or by the path of its file."""
        return self.ask("load", name=name, seed=seed, balls=balls, hand=hand, elbow=elbow)

    def arm(self) -> Reply:
        """Make the machine ready; the reply comes when it is."""
        return self.ask("arm")

    def disarm(self) -> Reply:
        """Give up readiness."""
        return self.ask("disarm")

    def start(self, stop_count: int) -> Reply:
        """Start the loaded drill, quoting the stop count."""
        return self.ask("start", stop_count=stop_count)

    def throw(self, ball: str, stop_count: int) -> Reply:
        """Throw one ball of one type, quoting the stop count."""
        return self.ask("throw", ball=ball, stop_count=stop_count)

    def pause(self) -> Reply:
        """Feed no more balls for now."""
        return self.ask("pause")

    def resume(self) -> Reply:
        """Go on after a pause."""
        return self.ask("resume")

    def ready(self) -> Reply:
        """End a rest that waits for the player."""
        return self.ask("ready")

    def stop(self) -> Reply:
        """Stop and wait for the reply; `stop_now` does not wait for replies before it."""
        return self.ask("stop")

    def skip(self) -> Reply:
        """Go to the next set."""
        return self.ask("skip")

    def clear(self) -> Reply:
        """Acknowledge a fault."""
        return self.ask("clear")

    def status(self, form: Literal["json"] | None = None) -> Reply:
        """Ask for the status as lines; `snapshot` gives it as data."""
        return self.ask("status", form=form)

    def watch(self, form: Literal["on", "off", "json"] | None = None) -> Reply:
        """Ask to be told what happens; `notices` gives it."""
        return self.ask("watch", form=form)

    def balls(self, count: int) -> Reply:
        """Tell how many balls are in the hopper."""
        return self.ask("balls", count=count)

    def crank_at_mark(self) -> Reply:
        """Tell that the crank was turned to its mark by hand."""
        return self.ask("crank-at-mark")

    def easier(self) -> Reply:
        """Go one step easier, at once."""
        return self.ask("easier")

    def harder(self) -> Reply:
        """Go one step harder when the set is over, or at a pause."""
        return self.ask("harder")

    def slower(self) -> Reply:
        """Go 5 balls a minute slower, at once."""
        return self.ask("slower")

    def faster(self) -> Reply:
        """Go 5 balls a minute faster when the set is over, or at a pause."""
        return self.ask("faster")

    def swap(self, ball: str, to: str) -> Reply:
        """Throw ball type `to` in place of `ball`, when the set is over or at a pause."""
        return self.ask("swap", ball=ball, to=to)

    def queue(
        self,
        name: str,
        seed: int | None = None,
        balls: int | None = None,
        hand: Literal["right", "left"] | None = None,
        elbow: float | None = None,
    ) -> Reply:
        """Say which drill is next."""
        return self.ask("queue", name=name, seed=seed, balls=balls, hand=hand, elbow=elbow)

    def mark(
        self,
        result: Literal["made", "missed"],
        count: int | None = None,
        of: int | None = None,
        set: int | None = None,
        ball: int | None = None,
    ) -> Reply:
        """Write down what was made: a count of a set, or one ball."""
        return self.ask("mark", result=result, count=count, of=of, set=set, ball=ball)

    def trim(
        self, ball: str, way: Literal["long", "short", "left", "right", "off"] | None = None, by: float | None = None
    ) -> Reply:
        """Shift where a ball type lands, by so many centimetres."""
        return self.ask("trim", ball=ball, way=way, by=by)

    def players(
        self,
        action: Literal["list", "add", "choose"] | None = None,
        name: str | None = None,
        hand: Literal["right", "left"] | None = None,
        level: Literal["junior", "club", "advanced"] | None = None,
        elbow: float | None = None,
    ) -> Reply:
        """List the players, add a player, or choose who plays; `elbow` in cm towards the forehand."""
        return self.ask("players", action=action, name=name, hand=hand, level=level, elbow=elbow)

    def history(self) -> Reply:
        """Tell what was practised today."""
        return self.ask("history")

    def offer(self) -> Reply:
        """Offer to start or to go on; the player confirms."""
        return self.ask("offer")

    def confirm(self, number: int) -> Reply:
        """Take up an offer, quoting its number."""
        return self.ask("confirm", number=number)

    def invite(self, role: Literal["player", "coach"]) -> Reply:
        """Ask for a code that pairs one client."""
        return self.ask("invite", role=role)

    def pair(self, secret: str) -> Reply:
        """Take the role that a code or key stands for."""
        return self.ask("pair", secret=secret)

    def clients(self) -> Reply:
        """List the clients that hold a key."""
        return self.ask("clients")

    def unpair(self, client: str) -> Reply:
        """Make one client's key invalid, or all keys."""
        return self.ask("unpair", client=client)

    def relay(self, address: str) -> Reply:
        """Speak for a client elsewhere from here on."""
        return self.ask("relay", address=address)

    def setup(self, switch: Literal["on", "off"]) -> Reply:
        """Go into set-up at the machine, or out of it."""
        return self.ask("setup", switch=switch)

    def hold(self, token: int) -> Reply:
        """Keep the motion going for another 300 ms; each token is greater than the last."""
        return self.ask("hold", token=token)

    def jog(self, axis: Literal["top", "bottom", "tilt"], to: float) -> Reply:
        """Turn a wheel (rpm) or the tilt (degrees) while it is held."""
        return self.ask("jog", axis=axis, to=to)

    def feed(self, count: Literal["one"] = "one") -> Reply:
        """Throw one ball while it is held."""
        return self.ask("feed", count=count)

    def cautions(self, answer: Literal["accept"] = "accept") -> Reply:
        """Acknowledge the cautions."""
        return self.ask("cautions", answer=answer)

    def quit(self) -> Reply:
        """Let the daemon close this connection."""
        return self.ask("quit")
