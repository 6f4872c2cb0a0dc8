"""What the header says that cannot be or is not so, and the name that follows a dump."""

from collections.abc import Iterator
from typing import Final

from emulator.wire.constants import LOOP_BACKWARD_FORWARD, LOOP_FORWARD, MAX_BITS, MIN_BITS
from emulator.wire.messages import DumpHeader, ExtendedHeader, SampleName
from emulator.wire.sevenbit import from_groups, to_groups
from emulator.wire.sizes import words_per_packet
from harness.diagnose.scene import ACK, CANCEL, DumpScene, Scene, was_told
from harness.diagnose.sign import Sign, sign
from harness.diagnose.signs.order import shown
from harness.judge.damage import lacks_tag_length
from harness.judge.dialogue.exchanges import Ended
from harness.judge.finding import Finding
from harness.judge.timed_messages import TimedMessage

_REVERSED: Final = ("HDR-12", "EXT-03", "EXT-02")
_COMMON_HZ: Final = (44_100, 22_050, 11_025)
"""Common rates whose period is no whole number of nanoseconds and ends near a half."""
_NS: Final = 1_000_000_000
_LEAST_NS: Final = 2_000  # a period of 500 kHz, twice what any sound has (our choice)
_LOOPS_ON: Final = (LOOP_FORWARD, LOOP_BACKWARD_FORWARD)


def headers(scene: Scene) -> Iterator[Sign]:
    """Tell of fields of the header that cannot be or are not so (T40 to T45, T55)."""
    for dump in scene.sent:
        yield from _number(dump)
        if dump.is_header_altered:
            continue
        yield from _reversed(dump)
        yield from _impossible(dump)
        if dump.header is not None:
            yield from _period(dump)
            yield from _loop(dump)
            yield from _length(dump)


def _field(kind: str, dump: DumpScene, *texts: str, names: tuple[str, ...] = ()) -> Sign:
    """Return a sign on fields of the header: proved where the sender or the source has it so."""
    source, header = dump.source, dump.header
    as_source = (
        source is not None
        and names
        and all(getattr(source.header, name, None) == getattr(header, name, None) for name in names)
    )
    return sign(
        kind,
        dump,
        *texts,
        at=dump.start,
        shown=shown(dump.headers[-1].body) if dump.headers else "",
        proved=dump.scene.shows_sent or bool(as_source),
    )


def _period(dump: DumpScene) -> Iterator[Sign]:
    for finding in dump.found("HDR-11"):
        if "looks like" in finding.message:
            yield _field("period looks wrong", dump, finding.message, names=("period_ns",))
    header = dump.header
    if isinstance(header, DumpHeader) and 0 < header.period_ns < _LEAST_NS:
        rate = _NS // header.period_ns
        text = f"The header says {header.period_ns:,} ns a word: {rate:,} Hz, and no sound is that."
        yield _field("period looks wrong", dump, text, names=("period_ns",))
    for hertz in _COMMON_HZ if isinstance(header, DumpHeader) else ():
        assert isinstance(header, DumpHeader)
        if header.period_ns == _NS // hertz != round(_NS / hertz):
            yield sign(
                "period rounded",
                dump,
                f"The header says {header.period_ns:,} ns for {hertz:,} Hz; the nearest would be "
                f"{round(_NS / hertz):,} ns.",
                at=dump.start,
            )


def _reversed(dump: DumpScene) -> Iterator[Sign]:
    """Tell of fields whose bytes stand the other way round."""
    mine = [each for each in dump.found(*_REVERSED) if "reversed" in each.message]
    if mine:
        count = sum(1 + each.message.count(" more of this clause") for each in mine)
        texts = [each.message for each in mine]
        told = _field("fields reversed", dump, *texts)
        yield told.with_values(count=count)


def _loop(dump: DumpScene) -> Iterator[Sign]:
    header = dump.header
    if header is None or header.loop_type not in _LOOPS_ON or header.length < 2:
        return
    if header.loop_start == header.loop_end == 0:
        yield _field(
            "loop from 0 to 0",
            dump,
            f"The loop is switched on (type {header.loop_type:02X}) and goes from word 0 to word "
            f"0 of {header.length:,}.",
            names=("loop_type", "loop_start", "loop_end"),
        )
    elif header.loop_start < header.loop_end == header.length:
        yield _field(
            "loop ends one late",
            dump,
            f"The loop ends at word {header.loop_end:,}, and the last word is number "
            f"{header.length - 1:,}.",
            names=("loop_end",),
        )


def _length(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a length that the packets contradict."""
    header = dump.header
    if header is None or not dump.is_all_sound:
        return
    if _counts_all_channels(dump):
        yield _field(
            "channels not counted",
            dump,
            f"The header says {header.length:,} words a channel for {header.channels} channels; "
            f"the {len(dump.packets):,} packets hold so many for all channels together.",
            names=("length",),
        )
        return
    mine = [each for each in dump.found("HDR-06", "HDR-13", "HDR-15") if _was_sent(dump, each)]
    if dump.found("WRD-01", "WRD-03") and dump.words is not None and dump.words.is_smooth:
        mine += dump.found("HDR-07")  # so the count of packets is no matter of the width
    if mine:
        texts = [each.message for each in mine]
        yield _field("length contradicted", dump, *texts, names=("length",))


def _was_sent(dump: DumpScene, finding: Finding) -> bool:
    """Whether a finding on the length does not come from packets lost at the end."""
    if finding.clause != "HDR-06" or "too large" not in finding.message:
        return True
    # A sender that goes step by step has had its answer to the last packet that came.
    return dump.scene.shows_sent or (dump.is_closed and was_told(dump.talk.exchanges[-1], ACK))


def _counts_all_channels(dump: DumpScene) -> bool:
    header = dump.header
    if not isinstance(header, ExtendedHeader) or header.channels < 2:
        return False
    if not MIN_BITS <= header.bits <= MAX_BITS:
        return False
    whole = -(-header.length // words_per_packet(header.bits))
    if not len(dump.packets) == whole < (dump.planned or 0):
        return False
    return dump.ended is Ended.SHORT or (dump.scene.is_file and dump.ended is Ended.CUT)


def _number(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a sample number whose two bytes stand the other way round."""
    header, source = dump.header, dump.source
    if header is None or header.sample_number == 0:
        return
    meant = from_groups(to_groups(header.sample_number, 2)[::-1])
    wanted = None if source is None else source.header.sample_number
    is_sources = wanted in (None, header.sample_number)
    proved = meant == wanted != header.sample_number
    last = dump.header_replies[-1] if dump.header_replies else None
    refused = last is not None and last.kind is CANCEL and not dump.packets
    if proved or (is_sources and refused and header.sample_number % 128 == 0):
        yield sign(
            "number looks swapped",
            dump,
            f"The header names sample {header.sample_number:,}; with its two bytes the other way "
            f"round it would be {meant:,}.",
            "" if proved else "The unit refused it (CANCEL) at once.",
            at=dump.start,
            shown=shown(dump.headers[-1].body),
            proved=proved,
        )


def _impossible(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a header that has not its form, or says what cannot be."""
    mine = dump.found("HDR-03", "HDR-04", "HDR-08", "EXT-04", "EXT-05")
    mine += [each for each in dump.found("HDR-09") if "one beyond" not in each.message]
    if mine and not dump.found(*_REVERSED, "HDR-07", "EXT-06"):
        names = ("bits", "loop_type", "loop_start", "loop_end")
        texts = [each.message for each in mine]
        yield _field("header impossible", dump, *texts, names=names).with_values(form=False)
    bodies = {each.body for each in dump.headers}
    always = dump.scene.shows_sent or (len(dump.headers) > 1 and len(bodies) == 1)
    if dump.headers and dump.header is None and always:
        text = f"The header is {len(dump.headers[0].body)} bytes long and has not its form."
        yield _field("header impossible", dump, text).with_values(form=True)


# Names.


def names(scene: Scene) -> Iterator[Sign]:
    """Tell of a name that is built wrongly, or bears a number the other way round (T56, T57)."""
    for dump in scene.sent:
        for heard in (*dump.talk.besides, *_other_names(dump)):
            message, header, at = heard.message, dump.header, dump.place(heard)
            if lacks_tag_length(heard):
                text = (
                    "The name message lacks the byte that says how long the language tag is: the "
                    "length of the name stands in its place."
                )
                yield sign("name without tag", dump, text, at=at, shown=shown(heard.body))
            elif isinstance(message, SampleName) and header is not None:
                turned = from_groups(to_groups(message.sample_number, 2)[::-1])
                if turned == header.sample_number != message.sample_number:
                    text = (
                        f"The name is for sample {message.sample_number:,}, the dump before it is "
                        f"sample {header.sample_number:,}: the two bytes are exchanged."
                    )
                    sent = dump.scene.shows_sent
                    body = shown(heard.body)
                    yield sign("name swapped", dump, text, at=at, shown=body, sent=sent)


def _other_names(dump: DumpScene) -> Iterator[TimedMessage]:
    """Yield names behind this dump that are not its own by their form or number."""
    until = None if dump.talk.followed is None else dump.talk.followed.sent[0][1].place
    since = dump.talk.sent[-1][1].place
    for heard in dump.scene.loose_names:
        is_mine = heard.direction is dump.talk.direction
        is_here = heard.place > since and (until is None or heard.place < until)
        if is_mine and is_here:
            yield heard


HEADER: Final = (headers, names)
