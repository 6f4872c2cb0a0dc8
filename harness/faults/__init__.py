"""Floor H1: the one catalogue of what can go wrong on purpose, its words, and applying it."""
