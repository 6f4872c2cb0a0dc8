"""The dumps that were to be sent, from the files that hold them."""

from collections.abc import Sequence

from harness.diagnose.scene import Source
from harness.files.dumpfile import load
from harness.files.opening import shown
from harness.files.problem import Problem
from harness.jobs.dumps import Dump, dumps_in


def sources_in(paths: Sequence[str]) -> tuple[Source, ...]:
    """Return every dump of some files; a Problem for a file that holds none."""
    found: list[Source] = []
    for path in paths:
        dumps = list(dumps_in(load(path)))
        if not dumps:
            raise Problem(
                f"{shown(path)} has no whole dump header, so nothing can be compared with it.",
                do=f"dryload validate {shown(path)} says what is in it.",
            )
        found += [source_of(dump) for dump in dumps]
    return tuple(found)


def source_of(dump: Dump) -> Source:
    """Return a dump as the diagnosis compares with it."""
    which = f", dump {dump.index + 1}" if dump.index else ""
    return Source(
        name=f"{shown(dump.file)}{which}",
        header=dump.header,
        packets=tuple(bytes(packet) for packet in dump.outgoing.packets),
    )
