"""Checks of the emulated rack unit."""
