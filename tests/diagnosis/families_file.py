"""Families: dumps that an encoder wrote wrongly, from smooth sounds so that the words speak.

A file is seen alone, as its bytes in one direction, or played to a unit.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Final

from captures_demo.faults import FAULTS
from tests import oracle
from tests.diagnosis import classes as c
from tests.diagnosis.alike import NOTHING, Alike, View, either, of_file
from tests.diagnosis.family import Family, FileFault, Shown, Spot
from tests.diagnosis.situation import Dice, Situation, dump_of, sound_of

_ID_AT, _NUMBER_AT, _DATA_AT, _SUM_AT = 2, 4, 5, 125  # M1 p. 37
_BITS_AT, _LOOP_TYPE_AT = 6, 19  # M1 p. 36
_Maker = Callable[[Dice, Situation], FileFault]
_VIEWS: Final = (View.LINE, View.LINE, View.TO, View.FILE)

# Made by faults of the demo


def _demo(name: str) -> _Maker:
    return lambda dice, situation: FileFault(FAULTS[name].fault(sound_of(situation)))


# Made here, at a packet that chance picks


def _parts(situation: Situation) -> tuple[bytes, list[bytes], list[bytes]]:
    dump = dump_of(situation).outgoing
    return dump.header, [bytes(each) for each in dump.packets], [bytes(each) for each in dump.after]


def _summed(packet: bytes) -> bytes:
    return packet[:_SUM_AT] + bytes([oracle.checksum(packet)]) + packet[_SUM_AT + 1 :]


def _missing(dice: Dice, situation: Situation) -> FileFault:
    header, packets, after = _parts(situation)
    at = dice.below(len(packets) - 1, "packet")
    return FileFault(b"".join((header, *packets[:at], *packets[at + 1 :], *after)), at)


def _last_missing(dice: Dice, situation: Situation) -> FileFault:
    header, packets, _ = _parts(situation)
    return FileFault(b"".join((header, *packets[:-1])))


def _twice(dice: Dice, situation: Situation) -> FileFault:
    header, packets, after = _parts(situation)
    at = dice.below(len(packets), "packet")
    return FileFault(b"".join((header, *packets[: at + 1], *packets[at:], *after)), at)


def _out_of_order(dice: Dice, situation: Situation) -> FileFault:
    header, packets, after = _parts(situation)
    at = dice.below(len(packets) - 1, "packet")
    packets[at], packets[at + 1] = packets[at + 1], packets[at]
    return FileFault(b"".join((header, *packets, *after)), at)


def _sum_wrong(dice: Dice, situation: Situation) -> FileFault:
    header, packets, after = _parts(situation)
    at = dice.below(len(packets), "packet")
    raw = packets[at]
    packets[at] = raw[:_SUM_AT] + bytes([raw[_SUM_AT] ^ 1 + dice.below(127, "by")]) + raw[-1:]
    return FileFault(b"".join((header, *packets, *after)), at)


def _id_rewritten(dice: Dice, situation: Situation) -> FileFault:
    """Let the checksums count with another ID than the messages bear."""
    header, packets, after = _parts(situation)
    # Not by what some wrong range would leave out or put in, which would be the same bytes.
    ranges = _mixtures((0x70, 0x7E, 0x02, 0x77, situation.device_id))
    mixed = dice.one_of([each for each in range(1, 127) if each not in ranges], "id")
    packets = [raw[:_SUM_AT] + bytes([raw[_SUM_AT] ^ mixed]) + raw[-1:] for raw in packets]
    return FileFault(b"".join((header, *packets, *after)), 0)


def _mixtures(values: tuple[int, ...]) -> set[int]:
    mixed = {0}
    for value in values:
        mixed |= {each ^ value for each in mixed}
    return mixed


def _no_header(dice: Dice, situation: Situation) -> FileFault:
    _, packets, _ = _parts(situation)
    return FileFault(b"".join(packets))


def _impossible_header(dice: Dice, situation: Situation) -> FileFault:
    """A width below 8 or above 28 (M1 p. 36)."""
    header, packets, after = _parts(situation)
    bits = dice.one_of((1, 4, 7, 29, 32, 64), "bits")
    header = header[:_BITS_AT] + bytes([bits]) + header[_BITS_AT + 1 :]
    return FileFault(b"".join((header, *packets, *after)))


def _spoiled_last(dice: Dice, situation: Situation) -> FileFault:
    """All zeros where the last words should be, with a checksum that fits."""
    header, packets, after = _parts(situation)
    last = packets[-1][:_DATA_AT] + bytes(_SUM_AT - _DATA_AT) + packets[-1][_SUM_AT:]
    packets[-1] = _summed(last)
    return FileFault(b"".join((header, *packets, *after)), len(packets) - 1)


def _length_halved(dice: Dice, situation: Situation) -> FileFault:
    """A length so short that whole packets are left over."""
    header, packets, after = _parts(situation)
    low = situation.frames // 3
    length = bytes(low >> shift & 0x7F for shift in (0, 7, 14))  # bytes 10 to 12, M1 p. 36
    return FileFault(b"".join((header[:10], length, header[13:], *packets, *after)))


def _name_swapped(dice: Dice, situation: Situation) -> FileFault:
    header, packets, after = _parts(situation)
    name = after[-1]
    after[-1] = name[:5] + name[5:7][::-1] + name[7:]
    return FileFault(b"".join((header, *packets, *after)))


# Which causes are right


def _seen_alone(alone: Alike) -> Callable[[Shown], Alike | None]:
    """Return the class where every packet is there: in a file, or once all were sent."""
    return lambda shown: None if shown.one_packet and shown.view is not View.FILE else alone


def _in_order(alike: Alike) -> Callable[[Shown], Alike | None]:
    """With the file as it is at hand, what it has wrong is no matter of the line."""
    return lambda shown: alike if shown.with_source else None


def _packet_twice(shown: Shown) -> Alike | None:
    """Where only one side is heard, a packet that comes again may have been asked for."""
    if shown.with_source:
        return of_file("", "packet twice in the dump")
    return either("", c.DOUBLED, NOTHING) if shown.view is View.TO else None


def _file(name: str, make: _Maker, line: Alike | str, **more: object) -> Family:
    alike = of_file("", line) if isinstance(line, str) else line
    return replace(_BASE, name=name, file=make, line=alike, **more)  # type: ignore[arg-type]  # dataclasses.replace checks nothing


_BASE: Final = Family(
    name="",
    line=c.LEGAL,
    views=_VIEWS,
    contents=("smooth",),
    profiles=("lantern-desk", "lantern-desk", "property-chest"),
    packets=range(3, 7),
    spot=Spot.NONE,
)
_SUMS: Final = of_file(
    "While only packet 0 has been sent, a checksum that is wrong each time by the same is all that "
    "is seen.",
    "checksum of the wrong range",
    "checksums wrong in the dump",
    "device ID rewritten on the way",
    "bytes altered on the way",
    "stuck data bit",
)
_TOO_FEW: Final = of_file(
    "Fewer packets than the header calls for: its length is wrong, or they are missing, or the "
    "sender stopped, or the cable went.",
    "length wrong",
    "packets missing in the dump",
    "messages lost on the way",
    "sender gave up",
    "cable out",
)
_TOO_MANY: Final = of_file(
    "More packets than the header calls for: one of the two is wrong.",
    "length wrong",
    "packet too many",
)
_ORDER: Final = of_file(
    "Numbers that jump and jump back: on the line, or in the dump.",
    "packets out of order in the dump",
    "messages out of order",
)
_ONE_SUM: Final = of_file(
    "One checksum that does not fit: wrong in the dump, or altered on the way.",
    "checksums wrong in the dump",
    "bytes altered on the way",
)
_HEADER: Final = of_file(
    "A header with a value that cannot be: written so, or altered on the way.",
    "header wrong",
    "header spoiled on the way",
    "bytes altered on the way",
)

LENGTH_IN_BYTES: Final = _file(
    "a length in bytes", _demo("thunder-length-in-bytes"), _TOO_FEW, bits=(14, 16)
)
WIDTH_TOO_LARGE: Final = _file(
    "a width too large",
    _demo("thunder-width-too-large"),
    either(
        "Words of two bytes read as words of three: a width, bytes a word, or too few packets.",
        _TOO_FEW,
        "width not that of the words",
        "wrong bytes a word",
        "right-justified",
    ),
    bits=(8, 9, 10, 11, 12, 13),
    profiles=("lantern-desk",),
)

FILE_FAMILIES: Final[tuple[Family, ...]] = (
    _file("numbers from 1", _demo("thunder-numbers-from-01"), "numbers begin at 1"),
    _file(
        "numbers that do not wrap",
        _demo("gull-number-80-after-7f"),
        "numbers do not wrap",
        packets=range(130, 133),
        weight=1,
    ),
    _file(
        "checksums over the data only",
        _demo("thunder-checksum-of-data-only"),
        _SUMS,
        refine=_seen_alone(of_file("", "checksum of the wrong range")),
    ),
    _file(
        "an ID rewritten",
        _id_rewritten,
        _SUMS,
        refine=_seen_alone(of_file("", "device ID rewritten on the way")),
    ),
    _file("one checksum wrong", _sum_wrong, _ONE_SUM, spot=Spot.STRUCK),
    _file(
        "a short last packet", _demo("thunder-last-packet-short"), "last packet short", full=False
    ),
    _file(
        "filler that is not zero", _demo("thunder-filler-not-zero"), "filler not zero", full=False
    ),
    _file("a packet too many", _demo("tick-packet-too-many"), _TOO_MANY, full=True),
    _file("a length too small", _length_halved, _TOO_MANY),
    _file("the last packet missing", _last_missing, _TOO_FEW),
    _file(
        "a packet missing",
        _missing,
        c.JUMP,
        spot=Spot.STRUCK,
        refine=_in_order(of_file("", "packets missing in the dump")),
        profiles=("lantern-desk",),
    ),
    _file(
        "a packet twice",
        _twice,
        c.DOUBLED,
        spot=Spot.STRUCK,
        refine=_packet_twice,
    ),
    _file(
        "packets out of order in the file",
        _out_of_order,
        _ORDER,
        refine=_in_order(of_file("", "packets out of order in the dump")),
        profiles=("lantern-desk",),
    ),
    _file("no header", _no_header, c.NO_HEADER, views=(View.FILE,)),
    _file("a width that cannot be", _impossible_header, _HEADER),
    _file("a period in hertz", _demo("thunder-period-in-hertz"), "period wrong"),
    _file(
        "fields high byte first",
        _demo("thunder-fields-high-byte-first"),
        "header fields high byte first",
    ),
    _file(
        "a sample number swapped",
        _demo("thunder-sample-number-swapped"),
        either("The unit only says CANCEL.", c.REFUSED, "sample number swapped"),
        views=(View.LINE, View.UNTIMED),
    ),
    _file(
        "a width too small",
        _demo("thunder-width-too-small"),
        "width not that of the words",
        bits=(11, 12, 13),
        profiles=("lantern-desk",),
    ),
    _file("a loop from 0 to 0", _demo("thunder-loop-0-0"), "loop from 0 to 0", looped=False),
    _file(
        "a loop that ends one too far",
        _demo("bell-loop-end-one-too-far"),
        "loop end off by one",
        looped=True,
    ),
    _file(
        "a length that counts both channels",
        _demo("tick-stereo-length-in-words"),
        either("", _TOO_FEW, "channels not counted"),
        stereo=True,
        profiles=("double-bill",),
        bits=(16,),
    ),
    _file(
        "a name without its tag length",
        _demo("bell-name-without-tag-length"),
        "name shifted",
        named=True,
        profiles=("lantern-desk",),
        views=(View.FILE,),  # a name that is torn is not sent
    ),
    _file(
        "a name under a swapped number",
        _name_swapped,
        either("CA-019 p. 4 can be read both ways.", "name number swapped", NOTHING),
        named=True,
        profiles=("lantern-desk",),
        weight=2,
    ),
    _file("two's complement", _demo("gull-twos-complement"), "two's complement", bits=(12, 14, 16)),
    _file(
        "word bytes reversed",
        _demo("gull-word-bytes-reversed"),
        "word bytes reversed",
        bits=(12, 14, 16),
    ),
    _file("peaks that wrap", _demo("gull-peaks-wrapped"), "overload wraps", bits=(16,)),
    _file("right-justified", _demo("thunder-right-justified"), "right-justified", bits=(8, 12, 16)),
    _file(
        "a byte too many in each word",
        _demo("bell-14-bit-in-three-bytes"),
        of_file(
            "Words of three bytes under a width of two: either may be called wrong.",
            "wrong bytes a word",
            "width not that of the words",
        ),
        bits=(14,),
    ),
    _file("a last packet of zeros", _spoiled_last, "last packet spoiled", full=False),
)
