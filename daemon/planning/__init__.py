"""From a drill and a machine to a timed plan: pure."""
