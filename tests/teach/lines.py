"""The lines of everything in some bytes, as one list."""

from emulator.wire.splitter import split
from harness.teach.annotate import explain_all
from harness.teach.explained import FieldLine


def annotate(data: bytes, *, bits: int | None = None, every: bool = False) -> list[FieldLine]:
    explained = explain_all(split(data), bits=bits, every=every)
    return [line for each in explained for line in each.lines]
