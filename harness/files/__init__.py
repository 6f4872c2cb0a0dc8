"""Floor H0: what lies on disk."""
