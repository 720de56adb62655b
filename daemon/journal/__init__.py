"""The practice journal: what was thrown, seen, made, ordered and changed, in one SQLite file."""
