"""Benchmarks: `python -m tests.bench [PART...]`; every comparison also checks what it compares."""
