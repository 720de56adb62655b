"""The catalogue of every text that people read, in English, by id."""
