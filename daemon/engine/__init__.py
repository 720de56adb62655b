"""States, ramps, and the run of a drill on a clock that is an argument: pure."""
