"""From what a capture shows to what caused it, what would tell it from the next, what to do."""
