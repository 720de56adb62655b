"""Ball types and drills as files: reading, checking, drawing the order of balls."""
