"""Thousands of evenings of `dryload replay` at a bench where things go wrong, in virtual time.

Theory of operation.  An evening is data, drawn from a seed (`plan`): what is to be loaded, what
sort of unit is there, what goes wrong at which instant, how often the user goes on with `--resume`.
The command itself is run, from its words to its exit code, in a process of its own (`tool`); only
what opens a port is replaced, by a port whose clock stands still until somebody sleeps (`world`)
and whose far end is gear written from the standard alone (`rack`).  A kill ends that process
between two steps; a power cut takes with it what was never synced to the disk (`disk`).

Afterwards everything that the tool said, in text, JSON, journal and exit code (`said`), is held
against what the gear's memory holds and what really went wrong (`check`).  The gear, and whatever
judges, imports nothing of the project.
"""
