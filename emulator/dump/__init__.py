"""Floor E1: the two sides of a dump, without I/O and without a clock."""
