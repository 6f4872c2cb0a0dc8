"""The labelled benchmark of the diagnosis: `python -m tests.diagnosis`."""
