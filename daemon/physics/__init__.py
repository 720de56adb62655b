"""Air, flight, bounce and the two-wheel thrower: pure functions of numbers.

    from drillfeed.daemon.physics.launch import launch_from, launches_from, Launch, Launches
    from drillfeed.daemon.physics.flight import fly                # one ball, plain floats: Launch -> Flight
    from drillfeed.daemon.physics.flight_batch import fly_many     # n balls, arrays: Launches -> FlightBatch
    from drillfeed.daemon.physics.thrower import rims_for, thrown_by, throw, max_spin_revps, broken_limit
    from drillfeed.daemon.physics.air import air_at

Frame: x along the table from the thrower's end line (0) to the player's (2.74, net 1.37), y to the left seen along +x,
z up from the playing surface; m, m/s, rad/s; travelling along +x, topspin is omega_y > 0.
"""
