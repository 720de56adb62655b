"""Ball types that ship with drillfeed, one TOML file a collection."""
