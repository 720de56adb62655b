"""Single launches out of many."""

from drillfeed.daemon.physics.launch import Launch, Launches


def launch_at(launches: Launches, index: int) -> Launch:
    """Return one of the balls as a `Launch`."""
    columns = (launches.position_m[:, index], launches.velocity_mps[:, index], launches.spin_radps[:, index])
    position, velocity, spin = ((float(c[0]), float(c[1]), float(c[2])) for c in columns)
    return Launch(position, velocity, spin)
