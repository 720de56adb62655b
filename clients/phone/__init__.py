"""The phone page: one page, and the bridge between its web socket and the daemon's lines."""
