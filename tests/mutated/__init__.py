"""Spoilt inputs for every command that reads a file: nothing of them may be rude.

    python -m tests.mutated --runs 200000 --seed 1

Each run takes a good file (a dump, a capture, hexadecimal text, a profile, an audio file, a memory
image), spoils it a few times and gives it to one command, all in this one process.  A fault is
whatever a user must never meet: a traceback, a warning, another exit code than 0 to 3, more than 10
seconds of computing or 400 MB for one input.  Every run follows from its number and the seed, so
`--first N --runs 1` makes it again.
"""
