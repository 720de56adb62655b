"""Clause L31: a computer that slept."""

import pytest

from drillfeed.protocol.frames import encode
from drillfeed.protocol.link import Ping
from tests.clients.drivers.link_rig import Rig


@pytest.mark.parametrize("look", ["tick", "frame"])
@pytest.mark.parametrize(
    ("was", "becomes"),
    [("disarmed", "disarmed"), ("armed", "tripped"), ("turning", "tripped"), ("stopping", "tripped")],
)
def test_what_was_under_way_trips_on_waking(was: str, becomes: str, look: str) -> None:
    """L31: armed or driven, a tick or any frame after a sleep trips the driver; at rest it stays disarmed."""
    rig = Rig().greet()
    if was != "disarmed":
        rig.arm()
    if was in ("turning", "stopping"):
        rig.spin()
    if was == "stopping":
        rig.give(rig.order("stop"))
    if look == "tick":
        rig.core.tick(rig.now + 0.005, asleep_s=30.0)
    else:
        rig.core.receive(encode(Ping(n=1)), rig.now, asleep_s=30.0)
    assert rig.core.mode == becomes
    assert not rig.core.gate.open
    if becomes == "tripped":
        assert rig.core.mode_reason == "machine-slept: the computer slept for 30.0 s"


def test_only_a_clear_at_rest_leaves_it() -> None:
    """L31, L20, L21: an arm that waited meanwhile is refused; clear and arm anew are taken."""
    rig = Rig().arm()
    rig.core.tick(rig.now + 0.005, asleep_s=30.0)
    rig.give(rig.order("arm"))
    assert rig.core.mode == "tripped"
    for kind, mode in (("clear", "disarmed"), ("arm", "armed")):
        rig.epoch += 1
        rig.give(rig.order(kind))
        assert rig.core.mode == mode
