"""The demo's line for one ball, from a notice of the daemon and an event of the driver's log."""

import pytest

from drillfeed.daemon.demo.account import Account

PLAN = {"n": 1, "id": 7, "ball": "forehand-side-topspin", "outcome": "fed", "planned_leaves_s": 20.0}
LEFT = {
    "event": "leaves", "t": 1020.004, "id": 7, "top_true_rpm": 4000.0, "bottom_true_rpm": 1000.0, "speed_mps": 7.52,
    "spin_revps": 30.2, "side_revps": -25.1, "landing": {"valid": True, "depth_m": 1.05, "net_clearance_m": 0.2},
}  # fmt: skip


@pytest.mark.parametrize(("rolls", "spins"), [(True, ["+30.2", "-25.1"]), (False, ["+30.2"])])
def test_topspin_is_told_and_sidespin_where_the_head_rolls(rolls: bool, spins: list[str]) -> None:
    """The column rev/s is topspin; `side` stands beside it on a machine that rolls alone, each under its head."""
    said: list[str] = []
    account = Account(tell=said.append, rolls=rolls, clock_s=1000.0)
    account.daemon_says("ball", PLAN, "1 forehand-side-topspin fed", None)
    account.driver_logged(LEFT)
    head, line = said
    assert ("side" in head) is rolls
    for name, figure in zip(("rev/s", "side"), spins, strict=False):
        end = head.index(name) + len(name)
        assert line[:end].endswith(f" {figure}")
    assert line.split() == ["1", PLAN["ball"], "0.00", "0.00", "+4", "4,000", "1,000", "7.5", *spins, "20", "105"]
