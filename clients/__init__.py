"""Programs and libraries that talk to the daemon over its two protocols; they never import the daemon."""
