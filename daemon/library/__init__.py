"""What ships as data (machine profiles, ball types, drills), one TOML file each, and how it is loaded by name."""
