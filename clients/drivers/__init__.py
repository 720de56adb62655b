"""Motor drivers: the link adapter and what stands on it."""
