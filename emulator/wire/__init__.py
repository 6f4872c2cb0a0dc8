"""Floor E0: the standard on paper."""
