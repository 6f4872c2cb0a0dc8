"""Floor H3: text and JSON."""
