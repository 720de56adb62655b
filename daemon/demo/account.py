"""What the demo tells: a line a ball and a summary, from the daemon's notices and the driver's own log.

Rule of this file: what was planned comes from the daemon, what happened from the driver's log; a figure that
one of them does not have stays blank.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from statistics import fmean, pstdev
from typing import Any

from drillfeed.protocol.texts.catalogue import text


@dataclass
class Account:
    """Joins both sides by feed id. `clock_s` is the driver's clock minus the daemon's.

    The column rev/s is topspin; where the machine `rolls` its head, another shows sidespin, left positive.
    """

    tell: Callable[[str], None]
    rolls: bool = False
    clock_s: float = 0.0
    planned: dict[int, Mapping[str, Any]] = field(default_factory=dict)
    left: dict[int, Mapping[str, Any]] = field(default_factory=dict)
    told: set[int] = field(default_factory=set)
    landings: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    feed_late_ms: list[float] = field(default_factory=list)
    ended: dict[int, str] = field(default_factory=dict)
    missed_table: int = 0
    first_leaves_s: float | None = None
    headed: bool = False

    def daemon_says(self, topic: str, fields: Mapping[str, Any], line: str, cue: str | None) -> None:
        """Take a notice of the daemon's."""
        if topic == "ball":
            self.ended[int(fields["id"])] = str(fields["outcome"])
            if fields["outcome"] == "fed":
                self.planned[int(fields["id"])] = fields
                self._join(int(fields["id"]))
            else:
                self.tell(f"     {line}")
        elif topic == "countdown":
            self.tell(text("demo.first-ball", seconds=fields["seconds"]))
        elif topic in ("state", "fault", "hopper"):
            bell = f" [{cue}]" if cue else ""
            self.tell(f"---- {line}{bell}")

    def driver_logged(self, event: Mapping[str, Any]) -> None:
        """Take one event of the driver's log."""
        if event["event"] == "feed":
            self.feed_late_ms.append((event["t"] - event["planned_s"]) * 1000)
        elif event["event"] == "leaves":
            self.left[int(event["id"])] = event
            self._join(int(event["id"]))

    def _join(self, id: int) -> None:
        if id in self.told or id not in self.planned or id not in self.left:
            return
        self.told.add(id)
        if not self.headed:
            self.headed = True
            self.tell(
                text("demo.header") + (text("demo.header-side") if self.rolls else "") + text("demo.header-landed")
            )
        plan, ball = self.planned[id], self.left[id]
        planned_s, true_s = float(plan["planned_leaves_s"]), float(ball["t"]) - self.clock_s
        if self.first_leaves_s is None:
            self.first_leaves_s = planned_s
        landing = ball["landing"]
        if landing["valid"]:
            depth_cm = landing["depth_m"] * 100
            self.landings[str(plan["ball"])].append(depth_cm)
            landed = f"{depth_cm:5.0f}"
        else:
            self.missed_table += 1
            landed = landing["reason"] or text("demo.not-on-table")
        net = landing["net_clearance_m"]
        side = f" {ball['side_revps']:+7.1f}" if self.rolls else ""
        self.tell(
            f"{plan['n']:>3}  {plan['ball']:<22} {planned_s - self.first_leaves_s:8.2f} "
            f"{true_s - self.first_leaves_s:8.2f} {(true_s - planned_s) * 1000:+7.0f} {ball['top_true_rpm']:8,.0f} "
            f"{ball['bottom_true_rpm']:11,.0f}  {ball['speed_mps']:4.1f} {ball['spin_revps']:+7.1f}{side} "
            f"{'' if net is None else f'{net * 100:.0f}':>12}  {landed}"
        )

    def summary(self, seen: int | None, commanded: int) -> list[str]:
        """Return the closing lines."""
        late = [abs(value) for value in self.feed_late_ms]
        outcomes = Counter(self.ended.values())
        lines = [
            "",
            text(
                "demo.balls",
                commanded=commanded,
                seen=text("demo.no-exit-sensor") if seen is None else seen,
                left=len(self.left),
            ),
            text(
                "demo.moments", late_ms=max(late, default=0), skipped=outcomes["skipped"], refused=outcomes["refused"]
            ),
        ]
        for name, depths in sorted(self.landings.items()):
            spread = f" +- {pstdev(depths):.0f}" if len(depths) > 1 else ""
            lines.append(text("demo.landed", name=name, balls=len(depths), mean_cm=fmean(depths), spread=spread))
        if self.missed_table:
            lines.append(text("demo.missed", balls=self.missed_table))
        return lines
