"""The findings of the judge as signs: nothing that the judge has found is looked for again.

Theory of operation.  A row of the table asks for a finding by its clause, by how grave it is and by
whom the judge holds answerable.  What a unit sends back is judged like what it was sent, but no row
wants it: it is told where no cause explains it.
"""

from collections.abc import Iterator
from typing import Final

from msgspec.structs import fields

from dryload.emulator.dump.capture import Direction
from dryload.harness.diagnose.scene import DumpScene, Scene
from dryload.harness.diagnose.sign import FINDING, Sign, shown, sign
from dryload.harness.judge.finding import Finding

_FREE: Final = ("device_id", "sample_number")
"""Fields of a header that may be others than the source's: it is sent to another place."""

_CANCELLED: Final = "HSK-12"
"""Whoever asks a unit for a sample may stop it where that is enough."""


def findings(scene: Scene) -> Iterator[Sign]:
    """Tell what the judge has found, of each dump and beside them."""
    for dump in scene.dumps:
        is_sent = dump.talk.direction is Direction.TO_UNIT
        for each in dump.told if is_sent else dump.findings:
            if is_sent or each.clause != _CANCELLED:
                yield _sign(dump, each, is_back=not is_sent)
    for each in scene.verdicts.findings:
        at_ns = each.at.time_ns
        during = (
            dump
            for dump in scene.sent
            if at_ns is not None and dump.talk.sent[0][1].start_ns <= at_ns < dump.talk.last_ns
        )
        yield _sign(next(during, None), each, is_back=False)


def _sign(dump: DumpScene | None, found: Finding, *, is_back: bool) -> Sign:
    is_of_header = dump is not None and found.clause[:3] in ("HDR", "EXT") and bool(dump.headers)
    # A header may be right and the packets too many or too few for it.
    is_count = found.clause in ("HDR-06", "HDR-07")
    return sign(
        FINDING,
        dump,
        found.message,
        at=found.at,
        shown=shown(dump.headers[-1].body) if dump is not None and is_of_header else "",
        clause=found.clause,
        verdict=str(found.verdict),
        who=str(found.answerable),
        packet=found.at.packet is not None,
        inside=dump is not None,
        back=is_back,
        proved=dump is not None
        and (dump.scene.shows_sent or (is_of_header and not is_count and _is_as_source(dump))),
        reason=found.kind,
    )


def _is_as_source(dump: DumpScene) -> bool:
    """Whether the header is that of the source, so that nothing happened to it on the way."""
    header = dump.header
    return (
        header is not None
        and dump.source is not None
        and type(dump.source.header) is type(header)
        and all(
            getattr(dump.source.header, each.name) == getattr(header, each.name)
            for each in fields(header)
            if each.name not in _FREE
        )
    )


FINDINGS: Final = (findings,)
