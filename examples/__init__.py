"""Machine profiles, ball types and drills that ship with drillfeed."""
