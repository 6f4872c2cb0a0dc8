"""Floor H2: what a user asks for."""
