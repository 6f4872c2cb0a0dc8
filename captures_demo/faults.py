"""The broken dumps of the demo: one good dump each, with one common fault put in on purpose.

Theory of operation.  A fault is a function from the messages of a good dump to the bytes of a file;
`FAULTS` says which good dump it is done to.  Nothing here is random: the packets are chosen so that
the fault lies in the middle, and a checksum is put right wherever the fault is not in the checksum,
so that a file has the one fault that its name says.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Final

import numpy as np
from msgspec import Struct

from captures_demo.dumps import Sound, joined
from captures_demo.dumps import demo_sounds as sounds_by_name
from dryload.emulator.dump.outgoing import extended_header, standard_header
from dryload.emulator.wire.checksum import checksum
from dryload.emulator.wire.codec import encode
from dryload.emulator.wire.constants import PACKET_DATA_BYTES, PACKET_NUMBERS
from dryload.emulator.wire.messages import DataPacket, DumpHeader
from dryload.emulator.wire.sizes import bytes_per_word, packets_for
from dryload.emulator.wire.words import pack_words, word_dtype

_ID_AT, _NUMBER_AT, _DATA_AT, _CHECKSUM_AT = 2, 4, 5, 125  # in a packet, M1 p. 37
_NOTE_ON: Final = bytes((0x90, 0x3C, 0x40))  # M1 table I

Fault = Callable[[Sound], bytes]


class Broken(Struct, frozen=True, kw_only=True):
    """A broken file: the good dump it was made from and what was done to it."""

    twin: str
    fault: Fault


def _file(sound: Sound, packets: Sequence[bytes], header: bytes | None = None) -> bytes:
    dump = sound.dump
    return b"".join((dump.header if header is None else header, *packets, *dump.after))


def _packet(number: int, data: bytes, device_id: int = 0) -> bytes:
    """Return a data packet with the right checksum."""
    bare = DataPacket(device_id=device_id, packet_number=number, data=data, checksum=0)
    return _with(encode(bare), _CHECKSUM_AT, checksum(bare))


def _with(message: bytes, at: int, value: int) -> bytes:
    return message[:at] + bytes([value]) + message[at + 1 :]


def _mended(packet: bytes) -> bytes:
    """Return a packet with its checksum put right."""
    number, device_id = packet[_NUMBER_AT], packet[_ID_AT]
    return _packet(number, packet[_DATA_AT:_CHECKSUM_AT], device_id)


def _in_packet(index: int, change: Callable[[bytes], bytes]) -> Fault:
    """Return the fault that changes one packet; counted from 0, -1 for the last."""

    def fault(sound: Sound) -> bytes:
        packets = list(sound.dump.packets)
        packets[index] = change(packets[index])
        return _file(sound, packets)

    return fault


def _packets(change: Callable[[list[bytes]], Sequence[bytes]]) -> Fault:
    """Return the fault that changes the row of packets."""
    return lambda sound: _file(sound, change(list(sound.dump.packets)))


def _header(change: Callable[[bytes], bytes]) -> Fault:
    """Return the fault that changes the header."""
    return lambda sound: _file(sound, sound.dump.packets, change(sound.dump.header))


def _field(**fields: Callable[[DumpHeader], int]) -> Fault:
    """Return the fault that has other values in the standard header."""

    def fault(sound: Sound) -> bytes:
        right = standard_header(sound.sample, number=sound.number, device_id=sound.device_id)
        values = {name: getattr(right, name) for name in DumpHeader.__struct_fields__}
        values.update({name: value(right) for name, value in fields.items()})
        return _file(sound, sound.dump.packets, encode(DumpHeader(**values)))

    return fault


def _data(pack: Callable[[Sound], bytes]) -> Fault:
    """Return the fault that packs the words in another way; the packets are right otherwise."""

    def fault(sound: Sound) -> bytes:
        data = pack(sound)
        data += bytes(-len(data) % PACKET_DATA_BYTES)
        packets = [
            _packet(at // PACKET_DATA_BYTES % PACKET_NUMBERS, data[at : at + PACKET_DATA_BYTES])
            for at in range(0, len(data), PACKET_DATA_BYTES)
        ]
        return _file(sound, packets)

    return fault


def _in_groups(values: Sequence[int], size: int) -> bytes:
    """Return numbers in `size` groups of 7 bits each, high group first (M1 p. 39)."""
    shifts = range(7 * (size - 1), -1, -7)
    return bytes(value >> shift & 0x7F for value in values for shift in shifts)


def _offset_binary(sound: Sound) -> list[int]:
    half = 1 << (sound.sample.bits - 1)
    return [word + half for word in sound.sample.words.tolist()]


def _unshifted(sound: Sound) -> bytes:
    return _in_groups(_offset_binary(sound), bytes_per_word(sound.sample.bits))


def _byte_too_many(sound: Sound) -> bytes:
    return _in_groups([value << 7 for value in _offset_binary(sound)], 3)


def _twos_complement(sound: Sound) -> bytes:
    bits = sound.sample.bits
    flipped = [value ^ 1 << (bits - 1) for value in _offset_binary(sound)]
    size = bytes_per_word(bits)
    return _in_groups([value << (7 * size - bits) for value in flipped], size)


def _low_byte_first(sound: Sound) -> bytes:
    packed = pack_words(sound.sample.words, sound.sample.bits)
    return packed.reshape(-1, bytes_per_word(sound.sample.bits))[:, ::-1].tobytes()


def _too_loud(sound: Sound) -> bytes:
    """Return the words twice as loud; what no longer fits wraps round."""
    bits = sound.sample.bits
    wrapped = sound.sample.words.astype(word_dtype(bits)) * np.int16(2)
    return pack_words(wrapped, bits).tobytes()


def _numbers_never_wrap(packets: list[bytes]) -> list[bytes]:
    """Return packets whose numbers go on to 80; the checksum is kept within 7 bits, as usual."""
    return [
        _with(packet, _NUMBER_AT, index) if index >= PACKET_NUMBERS else packet
        for index, packet in enumerate(packets)
    ]


def _stale_filler(sound: Sound) -> bytes:
    """Return a dump whose last packet ends with what the one before had in the same place."""
    packets = list(sound.dump.packets)
    per_packet = PACKET_DATA_BYTES // bytes_per_word(sound.sample.bits)
    used = _DATA_AT + sound.sample.frames % per_packet * bytes_per_word(sound.sample.bits)
    packets[-1] = _mended(
        packets[-1][:used] + packets[-2][used:_CHECKSUM_AT] + packets[-1][_CHECKSUM_AT:]
    )
    return _file(sound, packets)


def _short_last_packet(sound: Sound) -> bytes:
    """Return a dump whose last packet ends where the words do: zeros do not change a checksum."""
    packets = list(sound.dump.packets)
    missing = packets_for(sound.sample.frames, sound.sample.bits) * PACKET_DATA_BYTES
    missing -= sound.sample.frames * bytes_per_word(sound.sample.bits)
    packets[-1] = packets[-1][: _CHECKSUM_AT - missing] + packets[-1][_CHECKSUM_AT:]
    return _file(sound, packets)


def _rewritten_id(sound: Sound) -> bytes:
    """Return a dump whose device ID was changed on the way: the checksums still count with 0."""
    dump = sound.dump
    changed = [_with(message, _ID_AT, 2) for message in (dump.header, *dump.packets)]
    return b"".join(changed)


def _data_only_checksum(packet: bytes) -> bytes:
    right = packet[_CHECKSUM_AT]
    return _with(packet, _CHECKSUM_AT, right ^ 0x7E ^ packet[_ID_AT] ^ 0x02 ^ packet[_NUMBER_AT])


def _high_byte_first(header: bytes) -> bytes:
    """Return a standard header with the period, length and loop points the wrong way round."""
    for at in (7, 10, 13, 16):  # M1 p. 37
        header = header[:at] + header[at : at + 3][::-1] + header[at + 3 :]
    return header


def _words_for_frames(sound: Sound) -> bytes:
    """Return a stereo dump whose length counts the words of both channels."""
    right = extended_header(sound.sample, number=sound.number, device_id=sound.device_id)
    values = {name: getattr(right, name) for name in type(right).__struct_fields__}
    values["length"] = right.length * right.channels
    return _file(sound, sound.dump.packets, encode(type(right)(**values)))


def _without_tag_length(sound: Sound) -> bytes:
    """Return a dump whose name message lacks the byte that says how long the language tag is."""
    whole = joined(sound.dump)
    (name,) = sound.dump.after
    return whole[: -len(name)] + name[:7] + name[8:]


def _every_256th_lost(sound: Sound) -> bytes:
    return bytes(byte for at, byte in enumerate(joined(sound.dump), start=1) if at % 256)


def _crack(fault: Fault) -> Broken:
    return Broken(twin="thunder-crack", fault=fault)


def _cry(fault: Fault) -> Broken:
    return Broken(twin="gull-cry", fault=fault)


def _stroke(fault: Fault) -> Broken:
    return Broken(twin="bell-stroke", fault=fault)


FAULTS: Final[Mapping[str, Broken]] = {
    # On the way: cables, interfaces, programs in between.
    "thunder-checksum-wrong": _crack(
        _in_packet(4, lambda raw: _with(raw, _CHECKSUM_AT, raw[_CHECKSUM_AT] ^ 0x15))
    ),
    "thunder-bit-flipped": _crack(_in_packet(6, lambda raw: _with(raw, 50, raw[50] ^ 0x08))),
    "thunder-packet-missing": _crack(_packets(lambda row: row[:5] + row[6:])),
    "thunder-packet-twice": _crack(_packets(lambda row: row[:8] + row[7:])),
    "thunder-packets-swapped": _crack(_packets(lambda row: [*row[:9], row[10], row[9], *row[11:]])),
    "thunder-byte-lost": _crack(_in_packet(3, lambda raw: raw[:70] + raw[71:])),
    "thunder-byte-added": _crack(_in_packet(12, lambda raw: raw[:70] + b"\x2a" + raw[70:])),
    "thunder-every-256th-byte-lost": _crack(_every_256th_lost),
    "thunder-note-inside": _crack(_in_packet(11, lambda raw: raw[:60] + _NOTE_ON + raw[60:])),
    "thunder-f7-missing": _crack(_in_packet(13, lambda raw: raw[:-1])),
    "thunder-other-device-id": _crack(_in_packet(14, lambda raw: _mended(_with(raw, _ID_AT, 1)))),
    "thunder-id-changed-on-the-way": _crack(_rewritten_id),
    "thunder-cut-short": _crack(lambda sound: joined(sound.dump)[: 21 + 127 * 15 + 66]),
    "thunder-last-packet-missing": _crack(_packets(lambda row: row[:-1])),
    "thunder-header-only": _crack(_packets(lambda row: row[:0])),
    "thunder-header-missing": _crack(_header(lambda _: b"")),
    # Programs that count, number or add up wrongly.
    "thunder-numbers-from-01": _crack(
        _packets(lambda row: [_mended(_with(raw, _NUMBER_AT, raw[_NUMBER_AT] + 1)) for raw in row])
    ),
    "gull-number-80-after-7f": _cry(_packets(_numbers_never_wrap)),
    "thunder-checksum-of-data-only": _crack(
        _packets(lambda row: [_data_only_checksum(raw) for raw in row])
    ),
    "thunder-last-packet-short": _crack(_short_last_packet),
    "thunder-filler-not-zero": _crack(_stale_filler),
    "tick-packet-too-many": Broken(
        twin="tick-fills-its-packet",
        fault=_packets(lambda row: [*row, _packet(len(row), bytes(PACKET_DATA_BYTES))]),
    ),
    # Headers that say the wrong thing.
    "thunder-length-in-bytes": _crack(_field(length=lambda right: 2 * right.length)),
    "thunder-period-in-hertz": _crack(_field(period_ns=lambda _: 11_025)),
    "thunder-fields-high-byte-first": _crack(_header(_high_byte_first)),
    "thunder-sample-number-swapped": _crack(
        _header(lambda raw: raw[:4] + raw[4:6][::-1] + raw[6:])
    ),
    "thunder-width-too-small": _crack(_field(bits=lambda _: 8)),
    "thunder-width-too-large": _crack(_field(bits=lambda _: 16)),
    "thunder-loop-0-0": _crack(_field(loop_type=lambda _: 0)),
    "bell-loop-end-one-too-far": _stroke(_field(loop_end=lambda right: right.length)),
    "tick-stereo-length-in-words": Broken(twin="tick-stereo", fault=_words_for_frames),
    "bell-name-without-tag-length": _stroke(_without_tag_length),
    # Words packed in another way than the header says.
    "gull-twos-complement": _cry(_data(_twos_complement)),
    "gull-word-bytes-reversed": _cry(_data(_low_byte_first)),
    "gull-peaks-wrapped": _cry(_data(_too_loud)),
    "thunder-right-justified": _crack(_data(_unshifted)),
    "bell-14-bit-in-three-bytes": Broken(twin="bell-stroke-14-bit", fault=_data(_byte_too_many)),
}


def broken_files() -> Iterator[tuple[str, bytes]]:
    """Yield the name and the bytes of every broken file."""
    for name, broken in FAULTS.items():
        yield f"{name}.syx", broken.fault(sounds_by_name()[broken.twin])
