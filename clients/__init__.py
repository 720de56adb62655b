"""Programs and libraries that talk to the daemon over its two protocols and never import it."""
