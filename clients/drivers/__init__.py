"""Motor drivers: the link adapter and the boards that use it."""
