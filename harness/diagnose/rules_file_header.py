"""What the header says, and the name that follows a dump."""

from collections.abc import Iterator
from typing import Final

from emulator.wire.codec import Malformed
from emulator.wire.constants import LOOP_BACKWARD_FORWARD, LOOP_FORWARD, MAX_BITS, MIN_BITS
from emulator.wire.messages import (
    DumpHeader,
    ExtendedHeader,
    HandshakeKind,
    SampleName,
)
from emulator.wire.sevenbit import from_groups, to_groups
from emulator.wire.sizes import words_per_packet
from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.rules_file_common import (
    all_sound,
    found,
    header_place,
    is_file,
    shown,
    shows_sent,
    source_of,
    strength,
    suspect,
)
from harness.diagnose.rules_file_sound import is_smooth_as_told
from harness.diagnose.scene import DumpScene
from harness.judge.dialogue.judge import Ended
from harness.judge.finding import Finding
from harness.judge.timed_messages import TimedMessage

_REVERSED: Final = ("HDR-12", "EXT-03", "EXT-02")
_OTHER_WIDTHS: Final = ("WRD-01", "WRD-03")
_NAME_AT: Final = 7  # of the byte that says how long the language tag is, CA-019 p. 4
_COMMON_HZ: Final = (44_100, 22_050, 11_025)
"""Common rates whose period is no whole number of nanoseconds and ends near a half."""
_ENDED: Final = (Ended.SHORT, Ended.CUT)
_NS: Final = 1_000_000_000
_LOOPS_ON: Final = (LOOP_FORWARD, LOOP_BACKWARD_FORWARD)


def _shown_header(dump: DumpScene) -> str:
    return shown(dump.headers[-1].body) if dump.headers else ""


def _value(dump: DumpScene, name: str) -> bool:
    """Whether the source, if there is one, has the same value, so that it is no damage."""
    source = source_of(dump)
    return source is None or getattr(source.header, name, None) == getattr(dump.header, name, None)


def _how(dump: DumpScene, *names: str, otherwise: Strength = Strength.STRONG) -> Strength:
    """Say how much a value proves: SURE where the sender or the source has it."""
    if source_of(dump) is not None and all(_value(dump, name) for name in names):
        return Strength.SURE
    return strength(dump, otherwise)


def period(dump: DumpScene) -> Iterator[Suspicion]:
    """A period in hertz or microseconds; one that is wrong by rounding is only remarked."""
    for finding in found(dump, "HDR-11"):
        if "looks like" in finding.message:
            yield suspect(
                dump,
                "period wrong",
                _how(dump, "period_ns"),
                finding.message,
                at=header_place(dump),
                bytes_shown=_shown_header(dump),
            )
    header = dump.header
    if isinstance(header, DumpHeader):
        for hertz in _COMMON_HZ:
            if header.period_ns == _NS // hertz != round(_NS / hertz):
                yield suspect(
                    dump,
                    "period rounded",
                    Strength.FAIR,
                    f"The header says {header.period_ns:,} ns for {hertz:,} Hz; the nearest would "
                    f"be {round(_NS / hertz):,} ns.",
                    at=header_place(dump),
                )


def turned_fields(dump: DumpScene) -> Iterator[Suspicion]:
    """Fields of the header whose bytes stand the other way round."""
    mine = [each for each in found(dump, *_REVERSED) if "reversed" in each.message]
    if not mine:
        return
    signs = sum(1 + each.message.count(" more of this clause") for each in mine)
    how = strength(dump, Strength.STRONG if signs > 1 else Strength.FAIR)
    yield suspect(
        dump,
        "header fields high byte first",
        how,
        *(each.message for each in mine),
        at=header_place(dump),
        bytes_shown=_shown_header(dump),
    )


def loop(dump: DumpScene) -> Iterator[Suspicion]:
    """Loop points: on from 0 to 0, or the end one too far."""
    header = dump.header
    if header is None or header.loop_type not in _LOOPS_ON or header.length < 2:
        return
    start, end = header.loop_start, header.loop_end
    if start == end == 0:
        yield suspect(
            dump,
            "loop from 0 to 0",
            _how(dump, "loop_type", "loop_start", "loop_end"),
            f"The loop is switched on (type {header.loop_type:02X}) and goes from word 0 to word "
            f"0 of {header.length:,}.",
            at=header_place(dump),
            bytes_shown=_shown_header(dump),
        )
    elif start < end == header.length:
        yield suspect(
            dump,
            "loop end off by one",
            _how(dump, "loop_end"),
            f"The loop ends at word {end:,}, and the last word is number {header.length - 1:,}.",
            at=header_place(dump),
            bytes_shown=_shown_header(dump),
        )


def length(dump: DumpScene) -> Iterator[Suspicion]:
    """A length that the packets contradict."""
    header = dump.header
    if header is None or not all_sound(dump):
        return
    if _counts_all_channels(dump):
        yield suspect(
            dump,
            "channels not counted",
            _how(dump, "length"),
            f"The header says {header.length:,} words a channel for {header.channels} channels; "
            f"the {len(dump.packets):,} packets hold so many for all channels together.",
            at=header_place(dump),
            bytes_shown=_shown_header(dump),
        )
        return
    mine = [each for each in found(dump, "HDR-06", "HDR-13", "HDR-15") if _is_sendings(dump, each)]
    if found(dump, *_OTHER_WIDTHS) and is_smooth_as_told(dump):
        mine += found(dump, "HDR-07")  # so the count of packets is no matter of the width
    if mine:
        yield suspect(
            dump,
            "length wrong",
            _how(dump, "length"),
            *(each.message for each in mine),
            at=header_place(dump),
            bytes_shown=_shown_header(dump),
        )


def _is_sendings(dump: DumpScene, finding: Finding) -> bool:
    """Whether a finding on the length does not come from packets lost at the end."""
    if "too large" in finding.message and finding.clause == "HDR-06":
        return shows_sent(dump)
    return True


def _counts_all_channels(dump: DumpScene) -> bool:
    header = dump.header
    if not isinstance(header, ExtendedHeader) or header.channels < 2:
        return False
    if not MIN_BITS <= header.bits <= MAX_BITS or dump.ended not in _ENDED:
        return False
    whole = -(-header.length // words_per_packet(header.bits))
    if not len(dump.packets) == whole < (dump.planned or 0):
        return False
    return is_file(dump.scene) or dump.ended is Ended.SHORT


def sample_number(dump: DumpScene) -> Iterator[Suspicion]:
    """A sample number whose two bytes stand the other way round, where the unit refused it."""
    header = dump.header
    if header is None or header.sample_number == 0:
        return
    meant = from_groups(to_groups(header.sample_number, 2)[::-1])
    source = source_of(dump)
    if source is not None and meant == source.header.sample_number != header.sample_number:
        how = Strength.SURE
    elif _value(dump, "sample_number") and header.sample_number % 128 == 0 and _is_refused(dump):
        how = Strength.FAIR
    else:
        return
    yield suspect(
        dump,
        "sample number swapped",
        how,
        f"The header names sample {header.sample_number:,}; with its two bytes the other way "
        f"round it would be {meant:,}.",
        *(["The unit refused it (CANCEL) at once."] if how is Strength.FAIR else []),
        at=header_place(dump),
        bytes_shown=_shown_header(dump),
    )


def _is_refused(dump: DumpScene) -> bool:
    last = dump.header_replies[-1] if dump.header_replies else None
    return last is not None and last.kind is HandshakeKind.CANCEL and not dump.packets


def impossible(dump: DumpScene) -> Iterator[Suspicion]:
    """A header that has not its form, or says what cannot be."""
    mine = found(dump, "HDR-03", "HDR-04", "HDR-08", "EXT-04", "EXT-05")
    mine += [each for each in found(dump, "HDR-09") if "one beyond" not in each.message]
    if mine and not found(dump, *_REVERSED) and not found(dump, "HDR-07", "EXT-06"):
        yield suspect(
            dump,
            "header wrong",
            _how(dump, "bits", "loop_type", "loop_start", "loop_end", otherwise=Strength.FAIR),
            *(each.message for each in mine),
            at=header_place(dump),
            bytes_shown=_shown_header(dump),
        )
    if dump.headers and dump.header is None and _is_always_torn(dump):
        yield suspect(
            dump,
            "header wrong",
            strength(dump),
            f"The header is {len(dump.headers[0].body)} bytes long and has not its form.",
            at=header_place(dump),
            bytes_shown=_shown_header(dump),
        )


def _is_always_torn(dump: DumpScene) -> bool:
    bodies = {each.body for each in dump.headers}
    return shows_sent(dump) or (len(dump.headers) > 1 and len(bodies) == 1)


# Names.


def names(dump: DumpScene) -> Iterator[Suspicion]:
    """A name that is built wrongly, or bears a number the other way round."""
    for heard in (*dump.talk.besides, *_other_names(dump)):
        yield from _name(dump, heard)


def _other_names(dump: DumpScene) -> Iterator[TimedMessage]:
    """Yield names behind this dump that are not its own by their form or number."""
    until = None if dump.talk.followed is None else dump.talk.followed.sent[0][1].place
    for heard in dump.scene.followed.course.loose:
        kinds = (Malformed, SampleName)
        if heard.direction is not dump.talk.direction or not isinstance(heard.message, kinds):
            continue
        place = heard.place
        if place > dump.talk.sent[-1][1].place and (until is None or place < until):
            yield heard


def _name(dump: DumpScene, heard: TimedMessage) -> Iterator[Suspicion]:
    message, header = heard.message, dump.header
    if isinstance(message, Malformed) and message.kind is SampleName:
        body = heard.body
        if len(body) > _NAME_AT + 1 and body[_NAME_AT] == len(body) - _NAME_AT - 2:
            yield suspect(
                dump,
                "name shifted",
                Strength.SURE,
                "The name message lacks the byte that says how long the language tag is: the "
                "length of the name stands in its place.",
                at=dump.place(heard),
                bytes_shown=shown(body),
            )
    elif isinstance(message, SampleName) and header is not None:
        turned = from_groups(to_groups(message.sample_number, 2)[::-1])
        if turned == header.sample_number != message.sample_number:
            yield suspect(
                dump,
                "name number swapped",
                Strength.STRONG if is_file(dump.scene) or shows_sent(dump) else Strength.FAIR,
                f"The name is for sample {message.sample_number:,}, the dump before it is sample "
                f"{header.sample_number:,}: the two bytes are exchanged.",
                at=dump.place(heard),
                bytes_shown=shown(heard.body),
            )
