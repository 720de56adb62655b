"""Examples to build on: a board's program in C, drivers in other languages, units, how to build a thrower."""
