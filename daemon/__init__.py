"""The drillfeed daemon: pure planning and engine inside, sockets and clocks at the rim."""
