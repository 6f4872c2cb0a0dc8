"""Proof of a unit's sample memory: test samples out, back, compared, and the fault named."""
