"""What WAV and AIFF files say of a sound as an instrument: its loop and its root key.

Theory of operation.  Both formats are rows of chunks: four letters, a size, and that many bytes,
filled up to an even number.  A WAV file says it in `smpl`, whose loops end with the last frame that
is played, as in a dump.  An AIFF file says it in `INST`, by the numbers of two markers that stand
in `MARK`; a marker stands between two frames, so the last frame played is the one in front of the
second.  The pitch fraction of `smpl` says how far the sound lies above its key; the detune of
`INST` says how far it has to be pulled to be on it, which is the same with the other sign.

No file is refused for its chunks: what can't be kept of them is remarked.

Sources, from memory: "Multimedia Data Standards Update" of April 1994 (`smpl`); "Audio Interchange
File Format" 1.3 of 1989 (`COMM`, `MARK`, `INST`).
"""

import struct
from fractions import Fraction
from typing import Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.sample import Loop
from dryload.emulator.wire.constants import EXTENDED_LOOP_TYPES, LOOP_OFF, MAX_21_BIT
from dryload.emulator.wire.prose import counted
from dryload.harness.files.rates import whole_rate

_KEYS: Final = 127
_NO_KEY: Final = 60
"""C4, what a file gets whose root key nobody knows (common practice)."""
_NS: Final = 1_000_000_000
_SMPL: Final = "9I"  # maker, product, period, key, fraction, 2 of time code, loops, bytes behind
_SMPL_LOOP: Final = "6I"  # name, type, start, end, fraction, how often
_SEMITONE: Final = 1 << 32  # of the pitch fraction
_HALF: Final = 50  # cents: the most that INST pulls a sound up or down
_SMPL_TYPES: Final = {0: 0x00, 1: 0x01, 2: 0x40}
"""Forward, to and fro, backward: the type in `smpl` and that of a dump (EXT-04)."""
_INST: Final = struct.Struct(">Bb4Bh6h")  # key, detune, 4 of ranges, gain, two loops
_AIFF_TYPES: Final = {1: 0x00, 2: 0x01}
_MARK: Final = struct.Struct(">HhI10shI10s")  # how many, then number, place and name of each
_NUMBERS: Final = {
    form: {loop_type: number for number, loop_type in types.items()}
    for form, types in (("WAV", _SMPL_TYPES), ("AIFF", _AIFF_TYPES))
}
"""For each format that says loops, its numbers of the types that it knows."""
_NEAREST: Final = {0x02: 0x00, 0x03: 0x01, 0x40: 0x00, 0x41: 0x01, 0x42: 0x40, 0x43: 0x01}
"""For a loop type that a file can't say, the nearest one."""
_COMM_RATE: Final = 8  # the place of the rate in COMM: 80 bits, floating-point
_EXPONENT: Final = 16_383 + 63  # of a mantissa of 64 bits that is a whole number
_MADE_HERE: Final = b"INFOISFT\x08\0\0\0dryload\0"
"""The `LIST` chunk of a WAV file of ours, in which the period is exact and not a rounding."""

_OURS: Final = (b"smpl", b"LIST", b"COMM", b"MARK", b"INST")

_Order = Literal["<", ">"]


class Instrument(Struct, frozen=True, kw_only=True):
    """What a file says, or is to say, beside the words."""

    loop: Loop | None = None
    """In frames of the file."""
    root: int | None = None
    """MIDI note number of the key at which the sound has its own pitch."""
    fine_cents: float = 0.0
    """How far its own pitch lies above that key."""
    rate: Fraction | None = None
    """In Hz, where it is known more exactly than the whole number that every file states."""
    remarks: tuple[str, ...] = ()
    """What is said and can't be kept."""


def read(content: bytes, *, frames: int, rate: int) -> Instrument:
    """Return what a file of `frames` frames and `rate` Hz says; nothing for other formats."""
    kind = content[:4], content[8:12]
    if kind in ((b"RIFF", b"WAVE"), (b"RIFX", b"WAVE")):
        order: _Order = "<" if kind[0] == b"RIFF" else ">"
        return _of_wav(_chunks(content, order), order, frames, rate)
    if kind in ((b"FORM", b"AIFF"), (b"FORM", b"AIFC")):
        return _of_aiff(_chunks(content, ">"), frames, rate)
    return Instrument()


def _chunks(content: bytes, order: _Order) -> dict[bytes, bytes]:
    """Return the first chunk of each name of ours; one that is cut short is as long as it is."""
    found: dict[bytes, bytes] = {}
    at = 12
    while at + 8 <= len(content):
        name, size = struct.unpack_from(f"{order}4sI", content, at)
        if name in _OURS and name not in found:
            found[name] = content[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    return found


def _of_wav(chunks: dict[bytes, bytes], order: _Order, frames: int, rate: int) -> Instrument:
    body = chunks.get(b"smpl")
    if body is None:
        return Instrument()
    if len(body) < 36:
        return Instrument(remarks=(f"its smpl chunk is cut short: {len(body)} bytes of 36",))
    _, _, period, key, fraction, _, _, count, _ = struct.unpack_from(order + _SMPL, body)
    remarks: list[str] = []
    here = min(count, (len(body) - 36) // 24)
    if here < count:
        remarks.append(f"its smpl chunk announces {counted(count, 'loop')} and holds {here}")
    loops = []
    for index in range(here):
        _, kind, start, end, part, times = struct.unpack_from(
            order + _SMPL_LOOP, body, 36 + 24 * index
        )
        loop, said = _usable(start, end, _SMPL_TYPES.get(kind), f"type {kind}", frames)
        remarks += said
        if loop is None:
            continue
        loops.append(loop)
        if len(loops) == 1 and part:
            remarks.append("its loop is a fraction of a frame longer, which no dump can say")
        if len(loops) == 1 and times:
            remarks.append(f"its loop is to be played {counted(times, 'time')}: a dump has no end")
    if len(loops) > 1:
        more = counted(len(loops) - 1, "more loop")
        remarks.append(f"{more} of the file left out: a dump's header has one")
    exact, said = _wav_rate(period, rate, made_here=chunks.get(b"LIST") == _MADE_HERE)
    loop = loops[0] if loops else None
    return _with_pitch(loop, key, 100 * fraction / _SEMITONE, exact, (*remarks, *said))


def _with_pitch(
    loop: Loop | None, key: int, cents: float, rate: Fraction | None, remarks: tuple[str, ...]
) -> Instrument:
    if key > _KEYS:
        said = f"its root key {key} is none: MIDI note numbers end at {_KEYS}"
        return Instrument(loop=loop, rate=rate, remarks=(*remarks, said))
    return Instrument(loop=loop, root=key, fine_cents=cents, rate=rate, remarks=remarks)


def _wav_rate(
    period: int, rate: int, *, made_here: bool
) -> tuple[Fraction | None, tuple[str, ...]]:
    """Return the exact rate, and what to say where the period contradicts the rate."""
    off = abs(_NS - period * rate)  # by so much times the period, in ns
    if not period or 2 * off <= rate:
        return None, ()
    exact = Fraction(_NS, period)
    if made_here and whole_rate(exact)[0] == rate:
        return exact, ()
    if off < rate:  # rounded down, as many do
        return None, ()
    said = f"its smpl chunk states a period of {period:,} ns and the file {rate:,} Hz, which counts"
    return None, (said,)


def _of_aiff(chunks: dict[bytes, bytes], frames: int, rate: int) -> Instrument:
    stated = _long_float(chunks.get(b"COMM", b"")[_COMM_RATE : _COMM_RATE + 10])
    is_between = stated is not None and 0 < abs(stated - rate) < 1
    exact = stated.limit_denominator(MAX_21_BIT) if stated is not None and is_between else None
    body = chunks.get(b"INST")
    if body is None:
        return Instrument(rate=exact)
    if len(body) < _INST.size:
        short = f"its INST chunk is cut short: {len(body)} bytes of {_INST.size}"
        return Instrument(rate=exact, remarks=(short,))
    key, detune, _, _, _, _, _, mode, begin, stop, release, _, _ = _INST.unpack_from(body)
    loop: Loop | None = None
    remarks: list[str] = []
    if mode:
        markers = _markers(chunks.get(b"MARK", b""))
        if begin in markers and stop in markers:
            loop, said = _usable(
                markers[begin], markers[stop] - 1, _AIFF_TYPES.get(mode), f"type {mode}", frames
            )
            remarks += said
        else:
            remarks.append("its loop is left out: a marker of it is missing")
    if release:
        remarks.append("its release loop is left out: a dump's header has one loop")
    return _with_pitch(loop, key, -float(detune), exact, tuple(remarks))


def _markers(body: bytes) -> dict[int, int]:
    """Return where markers stand, by their numbers; those behind a broken one are missing."""
    found: dict[int, int] = {}
    at = 2
    while at + 7 <= len(body):
        number, place, length = struct.unpack_from(">hIB", body, at)
        found.setdefault(number, place)
        at += 6 + (length + 2) // 2 * 2  # the name and its length fill an even number of bytes
    return found


def _usable(
    start: int, end: int, loop_type: int | None, kind: str, frames: int
) -> tuple[Loop | None, tuple[str, ...]]:
    """Return a loop as it is in a dump, or None and why not."""
    where = f"its loop from frame {start:,} to {end:,}"
    if loop_type is None:
        return None, (f"{where} is left out: nobody knows its {kind}",)
    if end == frames and start < frames:
        end -= 1
        where += f", one frame too far, is taken to {end:,}"
        return Loop(start=start, end=end, loop_type=loop_type), (where,)
    if not start <= end < frames:
        return None, (f"{where} is left out: it is not in the {counted(frames, 'frame')}",)
    return Loop(start=start, end=end, loop_type=loop_type), ()


def _long_float(raw: bytes) -> Fraction | None:
    """Return a positive floating-point number of 80 bits that may be a rate."""
    if len(raw) < 10:
        return None
    exponent, mantissa = struct.unpack(">HQ", raw)
    if not _EXPONENT - 63 <= exponent < _EXPONENT - 31:
        return None
    return Fraction(mantissa, 1 << (_EXPONENT - exponent))


def kept(what: Instrument, *, form: str, frames: int) -> Instrument:
    """Return what a file can say of it, with what is lost or changed as remarks.

    `form` is WAV, AIFF or another one, which can say nothing.
    """
    whole, said = whole_rate(what.rate)
    exact = _needed_rate(what.rate, form, whole)
    if exact is not None:
        said = f"{said}; the exact period is beside it" if form == "WAV" else ""
    loop, remarks = _kept_loop(what.loop, form, frames)
    remarks = (said, *remarks) if said else remarks
    root, fine = what.root, what.fine_cents
    if form not in _NUMBERS:
        if root is not None:
            remarks += (f"{form} has no place for a root key",)
        return Instrument(remarks=remarks)
    if root is None and (loop is not None or (form == "WAV" and exact is not None)):
        root, fine = _NO_KEY, 0.0
        remarks += (
            f"{form} needs a root key beside it, and none is known: {_NO_KEY} (C4) stands there; "
            "--root says another",
        )
    if root is not None and not 0 <= root + fine / 100 < _KEYS + _HALF / 100:
        remarks += (f"{fine:+g} cents from key {root} are beyond the keys: left out",)
        fine = 0.0
    if form == "AIFF" and round(fine) != fine:
        remarks += (f"AIFF keeps whole cents: {fine:g} became {round(fine)}",)
        fine = float(round(fine))
    return Instrument(loop=loop, root=root, fine_cents=fine, rate=exact, remarks=remarks)


def _kept_loop(loop: Loop | None, form: str, frames: int) -> tuple[Loop | None, tuple[str, ...]]:
    if loop is None or loop.loop_type == LOOP_OFF:
        return None, ()
    kind = EXTENDED_LOOP_TYPES.get(loop.loop_type, f"of the unknown type {loop.loop_type:02X}")
    left_out = f"the loop from word {loop.start} to {loop.end} ({kind}) is not in the audio file"
    if not loop.start <= loop.end < frames:
        return None, (f"{left_out}: it is not in the {counted(frames, 'frame')}",)
    types = _NUMBERS.get(form, {})
    written = loop.loop_type
    while written not in types and written in _NEAREST:
        written = _NEAREST[written]
    if written not in types:
        return None, (f"{left_out}: {form} has no place for it",)
    if written == loop.loop_type:
        return loop, ()
    said = f"{form} can't say of a loop: {kind}; it is written as {EXTENDED_LOOP_TYPES[written]}"
    return replace(loop, loop_type=written), (said,)


def _needed_rate(exact: Fraction | None, form: str, rate: int) -> Fraction | None:
    """Return the exact rate where the file can say it, and its whole number is not enough."""
    if exact is None or exact < 1 or exact == rate:
        return None
    period = _NS / exact
    is_whole = period.denominator == 1
    if is_whole and 2 * abs(_NS - period * rate) <= rate:
        return None  # it is the nearest one to the whole number
    return exact if form == "AIFF" or (form == "WAV" and is_whole) else None


def written(content: bytes, what: Instrument, *, rate: int) -> bytes:
    """Return a WAV or AIFF file with `what`, of which it can say everything, in its chunks."""
    if content.startswith(b"FORM"):
        if what.rate is not None:
            at = content.index(b"COMM") + 8 + _COMM_RATE
            content = content[:at] + _as_long_float(what.rate) + content[at + 10 :]
        return content if what.root is None else _grown(content, _aiff_chunks(what), ">")
    if what.root is None:
        return content
    period = round(_NS / (what.rate or rate))
    key, part = divmod(round((what.root + what.fine_cents / 100) * _SEMITONE), _SEMITONE)
    loop = what.loop
    body = struct.pack("<" + _SMPL, 0, 0, period, key, part, 0, 0, 0 if loop is None else 1, 0)
    if loop is not None:
        kind = _NUMBERS["WAV"][loop.loop_type]
        body += struct.pack("<" + _SMPL_LOOP, 0, kind, loop.start, loop.end, 0, 0)
    return _grown(content, [(b"LIST", _MADE_HERE), (b"smpl", body)], "<")


def _aiff_chunks(what: Instrument) -> list[tuple[bytes, bytes]]:
    assert what.root is not None
    cents = round(what.root * 100 + what.fine_cents)
    key = what.root if abs(what.fine_cents) <= _HALF else (cents + _HALF - 1) // 100
    loop, chunks, sustain = what.loop, [], (0, 0, 0)
    if loop is not None:
        names = b"\x08beg loop", b"\x08end loop"
        chunks.append((b"MARK", _MARK.pack(2, 1, loop.start, names[0], 2, loop.end + 1, names[1])))
        sustain = (_NUMBERS["AIFF"][loop.loop_type], 1, 2)
    body = _INST.pack(key, key * 100 - cents, 0, _KEYS, 1, _KEYS, 0, *sustain, 0, 0, 0)
    return [*chunks, (b"INST", body)]


def _grown(content: bytes, chunks: list[tuple[bytes, bytes]], order: _Order) -> bytes:
    """Return a file, of an even number of bytes, with more chunks at its end."""
    parts = [content]
    for name, body in chunks:
        parts += [struct.pack(f"{order}4sI", name, len(body)), body, bytes(len(body) % 2)]
    made = b"".join(parts)
    return made[:4] + struct.pack(f"{order}I", len(made) - 8) + made[8:]


def _as_long_float(number: Fraction) -> bytes:
    """Return a number from 1 on as a floating-point number of 80 bits."""
    above = int(number).bit_length()
    return struct.pack(">HQ", _EXPONENT - 64 + above, round(number * 2 ** (64 - above)))
