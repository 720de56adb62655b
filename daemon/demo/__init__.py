"""The demo: the main job on a simulated thrower, told ball by ball. Joins daemon and clients."""
