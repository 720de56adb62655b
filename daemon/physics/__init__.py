"""Air, flight, bounce and the two-wheel thrower: pure functions of numbers."""
