"""Ball types and drills as files: reading, checking, drawing the sequence of balls."""
