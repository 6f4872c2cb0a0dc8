"""The explanations of everything in some bytes, and their lines as one list."""

from dryload.harness.teach.dumps import dumps_of
from dryload.harness.teach.explained import Explained, FieldLine


def explain_all(data: bytes, *, bits: int | None = None, every: bool = False) -> list[Explained]:
    return [
        message
        for dump in dumps_of(data, bits=bits)
        for message in dump.pieces_from(dump.section.offset, every=every)
    ]


def annotate(data: bytes, *, bits: int | None = None, every: bool = False) -> list[FieldLine]:
    return [line for each in explain_all(data, bits=bits, every=every) for line in each.lines]
