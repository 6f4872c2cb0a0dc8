"""Floor H4: one file a command."""
