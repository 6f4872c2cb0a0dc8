"""What a trial says of a general-purpose audio library as a decoder, and that each fault is one.

The trial's table stands first; below it each fault is shown once more without the trial, by a dump
of the tests' own plain codec.  Observed with libsndfile 1.2.2; M1 pages are those of the MIDI 1.0
Detailed Specification 4.2.1.
"""

from __future__ import annotations

import io
from collections.abc import Callable

import numpy as np
import pytest
import soundfile

from dryload.harness.judge.finding import Verdict
from tests import oracle
from tests.outside.test_soundfile import observed, read_by_them
from tests.trial.decoders import Subject
from tests.trial.test_decoders import Here, ShortReading, tried

pytestmark = observed

BROKEN = {"FRM-03", "HDR-07", "PKT-04", "WRD-03", "WRD-12"}
BENT = {
    *("FRM-01", "FRM-04", "FRM-05", "FRM-06", "FRM-07", "FRM-08", "FRM-09", "DEV-04", "HDR-04"),
    *("PKT-03", "PKT-05", "PKT-06", "PKT-07", "PKT-10", "PKT-12"),
}
WORDS = [(7919 * at) % 65_521 - 32_768 for at in range(120)]
"""Three whole packets of 16 bits, no two words alike: short packets have a fault of their own."""
HEADER, FIRST, SECOND, LAST = (
    oracle.header(sample_number=1, bits=16, period_ns=22_676, length=len(WORDS)),
    *oracle.packets(bits=16, words=WORDS),
)


def decode(dump: bytes) -> object:
    try:
        with soundfile.SoundFile(io.BytesIO(dump)) as sound:
            return sound.read(dtype="int32"), 32, sound.samplerate
    except soundfile.LibsndfileError as problem:
        raise ValueError(str(problem)) from problem


def read(*messages: bytes) -> list[int]:
    return read_by_them(b"".join(messages), 16)


def changed(message: bytes, at: int, value: int) -> bytes:
    return message[:at] + bytes([value]) + message[at + 1 :]


def summed(packet: bytes) -> bytes:
    return changed(packet, 125, oracle.checksum(packet))


def test_the_trial_of_the_library() -> None:
    subject = Subject(name="", make=lambda: decode, verdict="broken")
    trial = tried(Here(subject), (16, 14, 8, 24), ShortReading)
    by = {
        verdict: {each.finding.clause for each in trial.faults if each.finding.verdict is verdict}
        for verdict in (Verdict.BROKEN, Verdict.BENT)
    }
    assert by == {Verdict.BROKEN: BROKEN, Verdict.BENT: BENT}


def test_a_dump_without_anything_unusual_is_read_right() -> None:
    assert read(HEADER, FIRST, SECOND, LAST) == WORDS


def test_one_packet_is_not_read() -> None:
    """HDR-07: M1 p. 39."""
    dump = oracle.dump(sample_number=1, bits=16, period_ns=22_676, words=[1])
    assert oracle.read_dump(dump).words == [1]
    assert read(dump) == []


def test_a_short_last_packet_is_spoilt() -> None:
    """WRD-12: 41 words, of which the last is alone in its packet."""
    words = WORDS[:41]
    dump = oracle.dump(sample_number=1, bits=16, period_ns=22_676, words=words)
    assert oracle.read_dump(dump).words == words
    assert read(dump) == [*words[:40], 0]


def test_words_of_14_bits_are_read_as_three_bytes() -> None:
    """WRD-03: M1 p. 39 gives two bytes to 8 to 14 bits."""
    words = [each >> 2 for each in WORDS[:59]]
    dump = oracle.dump(sample_number=1, bits=14, period_ns=22_676, words=words)
    assert oracle.read_dump(dump).words == words
    frames, _ = soundfile.read(io.BytesIO(dump), dtype="int32")
    data = oracle.packets(bits=14, words=words)[0][5:125]
    three = [data[at : at + 3] for at in range(0, 120, 3)]
    taken = [oracle.from_n7_high_first(each) - (1 << 20) for each in three]
    assert (frames[:40] >> 11).tolist() == taken


def test_a_real_time_byte_in_the_header_shifts_every_word() -> None:
    """FRM-03: M1 p. 30, real-time messages may be sent at any time, within others too."""
    found = read(HEADER[:13] + b"\xfe" + HEADER[13:], FIRST, SECOND, LAST)
    assert not np.array_equal(found[:40], WORDS[:40])


def test_a_damaged_packet_is_kept_and_the_right_one_behind_it_not_taken_for_the_same() -> None:
    """PKT-04, HSK-06: M1 p. 39, what is rejected is sent again under the same number."""
    damaged = changed(SECOND, 60, SECOND[60] ^ 1)
    found = read(HEADER, FIRST, damaged, SECOND, LAST)
    assert found[:40] == WORDS[:40]
    assert found[40:80] != WORDS[40:80]


DAMAGED: dict[str, tuple[Callable[[], list[bytes]], str]] = {
    "DEV-04": (
        lambda: [HEADER, *(changed(each, 2, 5) for each in (FIRST, SECOND, LAST))],
        "M1 p. 37: the checksum covers the device ID",
    ),
    "FRM-01": (lambda: [HEADER, FIRST, SECOND, LAST[:60]], "M1 p. 29: F7 ends a message"),
    "FRM-05": (lambda: [HEADER, FIRST, SECOND[:60] + SECOND[61:], LAST], "M1 p. 37: 127 bytes"),
    "FRM-06": (lambda: [HEADER, FIRST, changed(SECOND, 1, 0x7F), LAST], "M1 p. 35: 7E"),
    "HDR-04": (
        lambda: [changed(changed(changed(HEADER, 7, 0), 8, 0), 9, 0), FIRST, SECOND, LAST],
        "M1 p. 37: the period is the time of a word",
    ),
    "PKT-03": (lambda: [HEADER, SECOND, FIRST, LAST], "M1 p. 39: numbers run on"),
    "PKT-05": (lambda: [HEADER, FIRST, changed(SECOND, 125, SECOND[125] ^ 1), LAST], "M1 p. 37"),
    "PKT-06": (lambda: [HEADER, FIRST, changed(SECOND, 60, 0xC1), LAST], "M1 p. T-8, note 2"),
    "FRM-04": (lambda: [HEADER, FIRST, SECOND[:60], LAST], "M1 p. T-8: another status ends it"),
    "PKT-07": (
        lambda: [HEADER, FIRST, summed(changed(SECOND, 4, 0x80)), LAST],
        "M1 p. 39: 7F is the highest number",
    ),
}


@pytest.mark.parametrize("clause", DAMAGED)
def test_damage_is_read_without_a_word(clause: str) -> None:
    messages, _ = DAMAGED[clause]
    assert len(read(*messages())) == len(WORDS)


def test_a_missing_packet_is_read_over() -> None:
    """PKT-10: of 85 words the first 40 are missing, M1 p. 39."""
    whole = oracle.dump(sample_number=1, bits=16, period_ns=22_676, words=WORDS[:85])
    assert len(read(whole[:21], whole[21 + 127 :])) == 85


BESIDE: dict[str, tuple[bytes, str]] = {
    "FRM-07": (b"\x00\x01\x02", "M1 p. 6: data bytes without a status are ignored"),
    "FRM-09": (b"\x90\x40\x40", "M1 p. 5: others' messages are ignored"),
    "PKT-12": (b"\xf0\x7d\x01\x02\x03\xf7", "M1 p. 34: another ID, another message"),
}


@pytest.mark.parametrize("clause", BESIDE)
def test_what_stands_between_packets_spoils_words(clause: str) -> None:
    found = read(HEADER, FIRST, BESIDE[clause][0], SECOND, LAST)
    assert found[:40] == WORDS[:40]
    assert found[40:80] != WORDS[40:80]


def test_an_undefined_real_time_byte_spoils_words() -> None:
    """FRM-08: M1 p. 6, what is undefined is ignored."""
    found = read(HEADER, FIRST[:9] + b"\xfd" + FIRST[9:], SECOND, LAST)
    assert found[:40] != WORDS[:40]
