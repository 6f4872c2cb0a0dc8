"""Floor H3: explanations."""
