"""Explanations of data packets and of torn messages (words and checksum M1 p. 39)."""

import pytest

from dryload.emulator.wire.splitter import Piece, PieceKind, split
from dryload.harness.teach.annotate import explain_piece, words_at
from dryload.harness.teach.explained import FieldLine
from dryload.harness.teach.packet_words import PacketWords
from tests import oracle
from tests.teach.lines import annotate, explain_all
from tests.vectors import words
from tests.vectors.checksums import CHECKSUMS, ChecksumVector


def values(data: bytes, bits: int | None = None) -> dict[str, str]:
    """Return what each field says, with what is wrong behind a slash."""
    return {
        line.field: line.value + (f" / {line.problem}" if line.problem else "")
        for line in annotate(data, bits=bits)
    }


# Packets.


@pytest.mark.parametrize(("bits", "value", "data"), words.WORDS)
def test_words_are_decoded_as_typed(bits: int, value: int, data: str) -> None:  # M1 p. 39
    body = oracle.packet(number=0, data=bytes.fromhex(data))
    said = values(body, bits)["word 0"]

    assert said.split(", ")[0].split(" ")[0].rstrip(",") == f"{value:,}"
    assert ("silence" in said) == (value == 0)


@pytest.mark.parametrize("vector", CHECKSUMS, ids=lambda vector: vector.name)
def test_checksums(vector: ChecksumVector) -> None:  # M1 p. 37
    body = oracle.packet(device_id=vector.device_id, number=vector.number, data=vector.data)
    wrong = body[:125] + bytes([body[125] ^ 0x11]) + body[126:]

    assert values(body)["checksum"] == f"{vector.checksum:02X}, right"
    assert values(wrong)["checksum"] == (
        f"{vector.checksum ^ 0x11:02X}, wrong / {vector.checksum:02X} would be right"
    )


DUMP = oracle.dump(bits=16, words=range(-20, 25), sample_number=1, period_ns=22676)


def field_names(lines: list[FieldLine]) -> list[str]:
    return [line.field for line in lines if line.field.startswith(("word", "to", "filler"))]


def test_the_first_words_are_shown_and_the_rest_summed_up() -> None:
    lines = annotate(DUMP)

    assert field_names(lines) == [
        *("word 0", "word 1", "word 2", "word 3", "to word 39"),
        *("word 40", "word 41", "word 42", "word 43", "word 44", "filler"),
    ]
    rest = next(line for line in lines if line.field == "to word 39")
    assert rest.value == "36 more words, from -16 to 19"
    assert rest.byte == 21 + 5 + 4 * 3
    filler = lines[-3]
    assert (filler.value, filler.problem) == ("105 bytes after the last word", None)
    assert values(DUMP)["word 40"] == "20, +0.1 % of full scale"


def test_every_word_is_shown_where_it_is_asked_for() -> None:
    lines = annotate(DUMP, every=True)

    assert field_names(lines) == [*(f"word {number}" for number in range(45)), "filler"]


def test_words_of_several_channels_are_named_by_frame() -> None:  # WRD-11, CA-019 p. 3
    body = oracle.dump(
        bits=28, words=range(4), extended=True, sample_number=1, rate_integer=1, channels=2
    )
    assert [line.field for line in annotate(body) if line.field.startswith("frame")] == [
        *("frame 0, channel 1", "frame 0, channel 2", "frame 1, channel 1", "frame 1, channel 2"),
    ]


def test_without_a_header_nobody_knows_the_width() -> None:
    packet = DUMP[21:148]

    assert values(packet)["sample words"] == (
        "120 data bytes; only a header says how wide a word is"
    )
    assert values(packet, bits=16)["word 0"] == "-20, -0.1 % of full scale"
    # A header of no width that exists says nothing either.
    odd = oracle.header(sample_number=1, bits=40, period_ns=1, length=1) + packet
    assert "sample words" in values(odd)


def test_stray_bits_and_filler_that_is_not_00() -> None:  # WRD-05, PKT-08
    data = bytes.fromhex("40 00 01") + bytes.fromhex("40 00 00") * 6 + bytes.fromhex("40 00 1F")
    body = oracle.packet(number=0, data=data + b"\x05")
    header = oracle.header(sample_number=1, bits=16, period_ns=1, length=8)
    said = values(header + body)

    assert said["word 0"] == "0, silence / bits below the 16 significant ones are set (WRD-05)"
    assert said["to word 7"] == (
        "4 more words, from 0 to 0 / 1 with bits below the 16 significant ones (WRD-05)"
    )
    assert said["filler"] == "96 bytes after the last word / must be 00"


@pytest.mark.parametrize(("low", "stray"), [(0x20, 0), (0x60, 0), (0x02, 1), (0x10, 1), (0x3F, 1)])
def test_only_bits_below_the_significant_ones_are_stray(low: int, stray: int) -> None:  # WRD-05
    data = bytes([0x40, 0x00, low])
    said = values(oracle.packet(number=0, data=data), bits=16)["word 0"]

    assert ("are set (WRD-05)" in said) == bool(stray)


def test_a_status_byte_among_the_words_is_said_where_it_stands() -> None:  # FRM-02
    body = bytearray(oracle.packet(number=0, data=b""))
    body[6] = body[6 + 3 * 20] = 0x90
    raw = bytes(body)
    piece = Piece(PieceKind.EXCLUSIVE, 0, raw, raw)  # the pieces of a torn packet, put together
    lines = {line.field: line for line in explain_piece(piece, PacketWords(bits=16)).lines}

    assert lines["word 0"].problem == "it contains a status byte"
    assert lines["to word 39"].value == "36 more words, from -32,768 to -32,768"
    assert lines["to word 39"].problem == "1 with a status byte in it"
    assert lines["word 1"].problem is None


def test_a_packet_beyond_the_length_is_all_filler() -> None:  # PKT-09
    header = oracle.header(sample_number=1, bits=16, period_ns=1, length=40)
    first, second = (oracle.packet(number=number, data=b"") for number in (0, 1))
    lines = explain_all(header + first + second)[2].lines

    assert [line.value for line in lines if line.field == "filler"] == [
        "120 bytes after the last word"
    ]


# Torn messages.


def test_a_packet_of_wrong_length_is_explained_to_its_end() -> None:  # PKT-01
    packet = DUMP[21:148]
    (short,) = explain_all(packet[:60] + packet[61:], bits=16)
    (long,) = explain_all(packet[:60] + b"\x01\x02" + packet[60:], bits=16)

    assert short.problems == ("it has 126 bytes, and a data packet has 127",)
    assert long.problems == ("it has 129 bytes, and a data packet has 127",)
    for torn_packet, left in ((short, 119 % 3), (long, 122 % 3)):
        by_name = {line.field: line for line in torn_packet.lines}
        assert bytes.fromhex(by_name["checksum"].bytes) == packet[125:126]
        assert len(bytes.fromhex(by_name["left over"].bytes)) == left
        assert by_name["left over"].problem == "a word of 16 bits takes 3 bytes"


def test_a_packet_without_f7_says_where_its_checksum_would_stand() -> None:  # FRM-01
    packet = list(explain_all(b"\xfe" + DUMP[21:100] + b"\xf8\x00"))[1]

    assert packet.problems == (
        "it has no F7: cut off at the end after 80 bytes",
        f"its checksum would stand at byte {1 + 125 + 1}",
    )
    cut_by_note = next(iter(explain_all(DUMP[21:147] + b"\x90\x40\x40")))
    assert cut_by_note.problems == ("it has no F7: cut off by 90 after 126 bytes",)
    assert [line.field for line in cut_by_note.lines][-1] == "checksum"


@pytest.mark.parametrize(("length", "said"), [(124, True), (125, True), (126, False)])
def test_a_checksum_that_is_there_stands_nowhere_else(length: int, said: bool) -> None:
    (packet,) = explain_all(DUMP[21 : 21 + length])
    assert any("checksum would stand at byte 125" in each for each in packet.problems) == said


def test_a_header_that_is_too_short_or_too_long() -> None:  # FRM-05
    header = DUMP[:21]
    (short,) = explain_all(header[:14] + b"\xf7")
    (long,) = explain_all(header[:20] + b"\x01\x02\xf7")

    assert short.problems == ("it has 15 bytes, and a dump header has 21",)
    last = short.lines[-2]
    assert (last.field, last.value, last.problem) == (
        "loop start",
        "not all of it is there",
        "it takes 3 bytes",
    )
    extra = long.lines[-2]
    assert (extra.field, extra.value) == ("left over", "2 bytes beyond the last field")


def test_names_whose_lengths_do_not_add_up() -> None:  # NAM-01
    for written in ("F0 7E 00 05 03 01 00 00 07 4B F7", "F0 7E 00 05 03 01 00 00 01 4B 4C F7"):
        (explained,) = explain_all(bytes.fromhex(written))
        assert explained.problems == ("its lengths do not add up",)


def test_words_know_their_place_in_the_sample() -> None:
    assert words_at(None, 3) is None
    assert words_at(None, 3, bits=9) == PacketWords(bits=9)
    (piece,) = split(DUMP[21:148])
    explained = explain_piece(piece, PacketWords(bits=16, first=400, real=2))
    assert field_names(list(explained.lines)) == ["word 400", "word 401", "filler"]
