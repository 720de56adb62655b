"""Drills that ship with drillfeed, one TOML file each."""
