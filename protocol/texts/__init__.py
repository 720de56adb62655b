"""The catalogue of every text that people read, by id, in one folder for each language."""
