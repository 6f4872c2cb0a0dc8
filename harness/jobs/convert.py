"""From an audio file to a dump (`encode`), and from a dump file to sample words (`decode_file`).

In decoding, a packet that is missing is silence, so that what comes after it stays in its place.
Nothing is refused for being broken: what was broken is counted, and the judge is the one to say
what it means.
"""

import re
from collections.abc import Sequence
from fractions import Fraction
from os.path import splitext
from typing import Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.outgoing import HeaderKind, Outgoing, outgoing, whole_sequence
from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.wire.codec import kind_of
from dryload.emulator.wire.constants import (
    ALL_CALL,
    BYTE_NS,
    EXTENDED_LOOP_TYPES,
    HEADER_LIMIT_NS,
    MAX_21_BIT,
    MAX_28_BIT,
    MAX_BITS,
    MAX_CHANNELS,
    MAX_NAME,
    MAX_SAMPLE_NUMBER,
    MIN_BITS,
    PACKET_LIMIT_NS,
)
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import ExtendedHeader, Handshake, Header
from dryload.harness.files import audio, midifile
from dryload.harness.files.dumpfile import DumpFile, load
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem
from dryload.harness.jobs import shape
from dryload.harness.jobs.dumps import headed
from dryload.harness.judge.dump import DumpContents

_REPLY_NS: Final = FIXED[Handshake].size * BYTE_NS
_LOOP: Final = re.compile(r"([0-9]{1,11})-([0-9]{1,11})(?::([A-Za-z0-9-]+))?")
_LOOP_NAMES: Final = {"forward": 0x00, "backward-forward": 0x01}  # HDR-08, M1 p. 37
_SILENT_DB: Final = -200.0  # far below one step of the widest words
_LONGEST_FADE_S: Final = 3_600
MIDI_FILE_ENDINGS: Final = (".mid", ".midi", ".smf")
_VALIDATE: Final = "dryload validate says what is wrong with it."


class EncodeOptions(Struct, frozen=True, kw_only=True):
    """What a dump should be like; nothing here is checked before `encode`."""

    bits: int | None = None
    """None: 16."""
    number: int = 1
    device_id: int | None = None
    """None: 0."""
    start: int = 0
    """The first frame of the recording that is taken; what is in front is cut before all else."""
    length: int | None = None
    """Frames that are taken from there; None: all that follow."""
    channel: audio.Channel | None = None
    """None: the only channel, or a mix of all."""
    rate: Fraction | None = None
    """In Hz; None: the recording's own."""
    header: HeaderKind = "auto"
    loop: Loop | Literal["none"] | None = None
    """In words of one channel of the dump; None: the recording's own."""
    trim_db: float | None = None
    """Both ends are cut as far as they are no louder than this, 0 being full scale."""
    gain_db: float = 0.0
    peak_db: float | None = None
    """What the loudest word is brought to, 0 being full scale."""
    fade_in_s: float = 0.0
    fade_out_s: float = 0.0
    dither: bool = False
    """Whether triangular noise of one step is added before words are rounded."""
    name: str = ""


class Encoded(Struct, frozen=True, kw_only=True):
    """A dump made of a recording."""

    source: audio.Recording
    sample: Sample
    dump: Outgoing
    clipped: int
    """Words that were beyond full scale."""
    root: int | None
    """MIDI note number of the key at which it has its own pitch, where the recording says it."""
    fine_cents: float
    """How far its own pitch lies above that key."""
    remarks: tuple[str, ...]

    @property
    def extended(self) -> bool:
        """Whether the dump begins with the extended header."""
        return kind_of(self.dump.header) is ExtendedHeader

    @property
    def closed_loop_ns(self) -> int:
        """Time on the line where every reply comes at once."""
        replies = (1 + len(self.dump.packets)) * _REPLY_NS
        return replies + sum(map(len, whole_sequence(self.dump))) * BYTE_NS

    @property
    def open_loop_ns(self) -> int:
        """Time on the line without replies, every wait being the shortest allowed."""
        start, message = open_loop(self.dump)[-1]
        return start + len(message) * BYTE_NS


def encode(path: str, options: EncodeOptions) -> Encoded:
    """Return the dump of an audio file; a Problem where the options or the file don't allow it."""
    return encode_recording(audio.read(path), options, shown(path))


def encode_recording(source: audio.Recording, options: EncodeOptions, name: str) -> Encoded:
    """Return the dump of a recording, which a Problem calls by its `name`."""
    bits = 16 if options.bits is None else options.bits
    device_id = 0 if options.device_id is None else options.device_id
    _check(options, bits, device_id)
    channel, remarks = _channel(source, options, name)
    made = _shaped(shape.with_remarks(source, *remarks), channel, options)
    converted = audio.words_of(made, bits=bits, dither=options.dither)
    remarks = made.remarks
    if options.dither and made.is_exact_in(bits):
        remarks += ("nothing is rounded, so no dither is added",)
    if converted.no_numbers:
        remarks += (f"{converted.no_numbers:,} words of {name} are no numbers and became silence",)
    loop = made.loop if options.loop is None else options.loop
    sample = Sample(
        words=converted.words,
        bits=bits,
        rate=made.rate,
        channels=converted.channels,
        sustain=loop if isinstance(loop, Loop) else NO_LOOP,
        name=options.name,
    )
    _check_sample(sample, options)
    try:
        dump = outgoing(sample, number=options.number, device_id=device_id, header=options.header)
    except ValueError as problem:
        raise Problem(f"{problem}.", do="Use --header extended, or auto.") from problem
    return Encoded(
        source=source,
        sample=sample,
        dump=dump,
        clipped=converted.clipped,
        root=source.root,
        fine_cents=source.fine_cents,
        remarks=remarks,
    )


def _shaped(
    recording: audio.Recording, channel: audio.Channel, options: EncodeOptions
) -> audio.Recording:
    """Return what becomes words: each step is left out where it would change nothing."""
    made = recording if options.loop is None else replace(recording, loop=None)
    made = shape.cut(made, options.start, options.length)
    made = audio.taken(made, channel)
    if options.trim_db is not None:
        made = shape.trimmed(made, options.trim_db)
    made = audio.resample(made, options.rate or made.rate)
    if options.gain_db:
        made = shape.louder(made, options.gain_db)
    if options.fade_in_s or options.fade_out_s:
        made = shape.faded(made, options.fade_in_s, options.fade_out_s)
    if options.peak_db is not None:
        made = shape.normalised(made, options.peak_db)
    return made


def open_loop(dump: Outgoing) -> list[tuple[int, bytes]]:
    """Return every message of a dump and when it may start, in ns, if nobody answers (M1 p. 39)."""
    now = 0
    timed: list[tuple[int, bytes]] = []
    for index, message in enumerate(whole_sequence(dump)):
        timed.append((now, message))
        now += len(message) * BYTE_NS
        if index <= len(dump.packets):
            now += PACKET_LIMIT_NS if index else HEADER_LIMIT_NS
    return timed


def file_of(dumps: Sequence[Outgoing], path: str) -> bytes:
    """Return dumps as a file: a Standard MIDI File if the name asks for one, else the messages."""
    if splitext(path)[1].lower() not in MIDI_FILE_ENDINGS:
        return b"".join(message for dump in dumps for message in whole_sequence(dump))
    timed: list[tuple[int, bytes]] = []
    for dump in dumps:
        start_ns = timed[-1][0] + len(timed[-1][1]) * BYTE_NS + PACKET_LIMIT_NS if timed else 0
        timed += [(start_ns + at_ns, message) for at_ns, message in open_loop(dump)]
    return midifile.build(timed)


def loop_from(text: str) -> Loop:
    """Return the loop that START-END[:TYPE] says; a Problem where it says none."""
    found = _LOOP.fullmatch(text)
    if found is None:
        raise Problem(
            f"--loop {shown(text)} is no loop.",
            do="Give the first and the last word played, such as 1000-1999 or 0-499:forward.",
        )
    start, end, kind = int(found[1]), int(found[2]), found[3] or "forward"
    loop_type = _LOOP_NAMES.get(kind.lower())
    if loop_type is None and re.fullmatch("[0-9A-Fa-f]{2}", kind):
        loop_type = int(kind, 16)
    if loop_type not in EXTENDED_LOOP_TYPES:
        known = ", ".join(f"{code:02X}" for code in EXTENDED_LOOP_TYPES)
        raise Problem(
            f"--loop: {kind} is no loop type.",
            do=f"Say forward, backward-forward or one of {known} (CA-019 pp. 2-3).",
        )
    return Loop(start=start, end=end, loop_type=loop_type)


def _check(options: EncodeOptions, bits: int, device_id: int) -> None:
    _in_range("--bits", bits, MIN_BITS, MAX_BITS, "significant bits of a word")
    _in_range("--number", options.number, 0, MAX_SAMPLE_NUMBER, "sample numbers")
    _in_range("--device-id", device_id, 0, ALL_CALL, "device IDs")
    if options.rate is not None and not 0 < options.rate <= MAX_28_BIT:
        raise Problem(f"--rate {float(options.rate):g} is out of range: more than 0 Hz is needed.")
    if not (options.name.isascii() and options.name.isprintable()):
        raise Problem(
            f"--name {shown(options.name)} cannot be sent.",
            do="Plain letters, digits and signs (ASCII) can (NAM-02, CA-019 p. 4).",
        )
    _in_range("--name: length", len(options.name), 0, MAX_NAME, "lengths of a name")
    levels = (
        ("--trim", options.trim_db, _SILENT_DB, 0.0),
        ("--gain", options.gain_db, _SILENT_DB, -_SILENT_DB),
        ("--peak", options.peak_db, _SILENT_DB, 0.0),
    )
    for option, level, low, high in levels:
        if level is not None and not low <= level <= high:
            raise Problem(f"{option} {level:g} is out of range: it is {low:g} to {high:g} dB.")
    for option, seconds in (("--fade-in", options.fade_in_s), ("--fade-out", options.fade_out_s)):
        if not 0 <= seconds <= _LONGEST_FADE_S:
            raise Problem(f"{option} {seconds:g}: give seconds, 0 to {_LONGEST_FADE_S}.")
    if options.gain_db and options.peak_db is not None:
        raise Problem("--gain and --peak both say how loud it is to be.", do="Give one of them.")


def _in_range(option: str, value: int, low: int, high: int, what: str) -> None:
    if not low <= value <= high:
        raise Problem(f"{option} {value} is out of range: {what} are {low} to {high:,}.")


def _channel(
    source: audio.Recording, options: EncodeOptions, name: str
) -> tuple[audio.Channel, tuple[str, ...]]:
    """Return which channel is taken, and what to say about it."""
    wish = options.channel
    count = source.channels
    if isinstance(wish, int) and not 1 <= wish <= count:
        has = "1 channel" if count == 1 else f"channels 1 to {count}"
        raise Problem(f"{name} has no channel {wish}: it has {has}.")
    if wish == "both" and count > MAX_CHANNELS:
        raise Problem(f"{name} has {count} channels: a dump holds {MAX_CHANNELS} at most.")
    if wish is None and count > 1:
        said = f"the {count} channels are mixed to one: --channel chooses one of them, or both"
        return "mix", (said,)
    return (1 if count == 1 else wish or "mix"), ()


def _check_sample(sample: Sample, options: EncodeOptions) -> None:
    loop = options.loop
    if isinstance(loop, Loop) and not loop.start <= loop.end < sample.frames:
        raise Problem(
            f"--loop {loop.start}-{loop.end} is not in the sample: its words are 0 to "
            f"{sample.frames - 1}.",
            do="Give the first and the last word played, both counted from 0.",
        )
    if sample.frames > MAX_21_BIT and options.header == "standard":
        raise Problem(
            f"{sample.frames:,} words are too many for the standard header: it ends at "
            f"{MAX_21_BIT:,} (HDR-06, M1 p. 37).",
            do="Use --header extended, or auto; or cut the sound, or lower its --rate.",
        )


class FromFile(Struct, frozen=True, kw_only=True):
    """One dump of a file."""

    file: DumpFile
    number: int
    """Which dump of the file, counted from 1."""
    dumps: int
    header: Header
    contents: DumpContents
    sample: Sample
    """What the dump holds, with silence for packets that are missing."""


def decode_file(path: str, number: int | None = None) -> FromFile:
    """Return dump `number` of a file, counted from 1; a Problem where there is none to decode."""
    file = load(path)
    name = shown(path)
    number = 1 if number is None else number
    found = headed(file)
    if not 1 <= number <= len(found):
        holds = "1 dump" if len(found) == 1 else f"dumps 1 to {len(found)}"
        raise Problem(f"{name} has no dump {number}: it holds {holds}.")
    contents = found[number - 1]
    which = f"dump {number} of {name}" if len(found) > 1 else name
    header = contents.header
    if header is None:
        raise Problem(
            f"{which} has a damaged header: what its packets mean cannot be known (FRM-05).",
            do=_VALIDATE,
        )
    if not MIN_BITS <= header.bits <= MAX_BITS:
        raise Problem(
            f"{which} announces words of {header.bits} bits: {MIN_BITS} to {MAX_BITS} are possible "
            "(HDR-03, M1 p. 37).",
            do=_VALIDATE,
        )
    sample = contents.sample
    if sample is None or not sample.frames:
        raise Problem(
            f"{which} holds no sound: its header announces {header.length:,} words, and "
            f"{contents.section.packets:,} whole packets follow.",
            do=_VALIDATE,
        )
    words = contents.words_in_places()
    assert words is not None
    words = words[: len(words) // sample.channels * sample.channels]
    return FromFile(
        file=file,
        number=number,
        dumps=len(found),
        header=header,
        contents=contents,
        sample=replace(sample, words=words),
    )
