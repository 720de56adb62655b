"""The rim: sockets, threads, clocks, logs."""
