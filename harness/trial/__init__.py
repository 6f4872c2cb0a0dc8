"""Somebody else's encoder or decoder on trial: probes, answers, verdicts."""
