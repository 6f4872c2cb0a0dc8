"""`dryload explain`: every byte, what it means and which clause defines it."""

from collections.abc import Sequence
from itertools import islice
from typing import TYPE_CHECKING, Annotated, Final

from dryload.harness.cli.options import AsJson, argument, flag, value
from dryload.harness.cli.terminal import show, width
from dryload.harness.files.problem import Problem

if TYPE_CHECKING:
    from dryload.harness.teach.dumps import ExplainedDump

    Answer = tuple[list[str], dict[str, Sequence[object]]]
    """Lines for people, and the parts of the document for programs."""

_NEXT: Final = 3  # messages that are shown from a byte on


def explain(
    what: Annotated[
        list[str],
        argument(
            "FILE|HEX",
            "A dump file, - for standard input, or bytes in hexadecimal: F0 7E 00 7F 05 F7.",
        ),
    ],
    dump: Annotated[
        int | None, value("N", "Show only this dump of the file, counted from 1.", least=1)
    ] = None,
    packet: Annotated[
        int | None, value("N", "Show only this packet, counted from 0.", least=0)
    ] = None,
    start: Annotated[
        int | None,
        value("BYTE", "Start at the message that contains this byte.", "--from", least=0),
    ] = None,
    bits: Annotated[
        int | None,
        value("N", "Width of a word where no header states it, 8 to 28.", least=8, most=28),
    ] = None,
    every: Annotated[bool, flag("--bytes", "Show every word of a packet.")] = False,
    as_json: AsJson = False,
) -> None:
    """Explain a dump, or bytes in hexadecimal, field by field.

    The exit code is 0 even if something is wrong with them.
    """
    from dryload.harness.files.given import given
    from dryload.harness.report import explain as report
    from dryload.harness.teach.dumps import dumps_of

    if start is not None and (dump is not None or packet is not None):
        raise Problem("--from already says where.", do="Leave out --dump and --packet.")
    taken = given(what)
    dumps = list(dumps_of(taken.data, bits=bits))
    if start is not None:
        lines, parts = _messages(dumps, start, every, _NEXT)
    elif packet is not None:
        lines, parts = _packet(_chosen(dumps, dump), packet, every)
    elif taken.file is not None or dump is not None:
        chosen = dumps if dump is None else [_chosen(dumps, dump)]
        lines, parts = _overviews(chosen, dumps, every, taken.file or "HEX")
    else:
        lines, parts = _messages(dumps, 0, every, None)
    source = {"file": taken.file, "bytes": len(taken.data)}
    show(lines, report.document(source, **parts), as_json=as_json)


def _messages(
    dumps: Sequence["ExplainedDump"], start: int, every: bool, most: int | None
) -> "Answer":
    """Explain up to `most` messages from the one that contains byte `start` on."""
    from dryload.harness.report.explain import messages_text

    behind = [each for each in dumps if start < each.section.offset + each.section.size]
    if start and not behind:
        raise Problem(f"there is no byte {start:,}.", do="Bytes are counted from 0.")
    messages = (
        message
        for each in behind
        for message in each.pieces_from(max(start, each.section.offset), most, every=every)
    )
    found = list(islice(messages, most))
    return messages_text(found, width()), {"messages": found}


def _packet(dump: "ExplainedDump", place: int, every: bool) -> "Answer":
    from dryload.harness.report.explain import packets_text

    found = dump.packet(place, every=every)
    count = dump.reached
    if not found and place >= count:
        there = f"packets 0 to {count - 1:,}" if count > 1 else "packet 0" if count else "no packet"
        raise Problem(f"there is no packet {place:,}.", do=f"{dump.title} has {there}.")
    missing = [each for each in dump.findings if each.at.packet == place] if not found else []
    lines = packets_text(dump, place, found, missing, width())
    return lines, {"packets": found or [{"packet": place, "missing": True, "findings": missing}]}


def _overviews(
    chosen: Sequence["ExplainedDump"], dumps: Sequence["ExplainedDump"], every: bool, file: str
) -> "Answer":
    from dryload.harness.report.explain import overviews_text

    found = [dump.overview(every=every) for dump in chosen]
    headers = sum(each.number > 0 for each in dumps)
    return overviews_text(found, dumps=headers, file=file, width=width()), {"dumps": found}


def _chosen(dumps: Sequence["ExplainedDump"], number: int | None) -> "ExplainedDump":
    """Return dump `number`; the first one with a header if that is None."""
    from dryload.emulator.wire.prose import counted

    with_header = [each for each in dumps if each.number]
    if number is None:
        return (with_header or list(dumps))[0]
    if number > len(with_header):
        held = counted(len(with_header), "dump")
        raise Problem(f"there is no dump {number}.", do=f"It holds {held}.")
    return with_header[number - 1]
