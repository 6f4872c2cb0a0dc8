"""Causes in the dump itself: for each cause a capture that proves it and a near miss.

Captures are made by the plain codec of the tests, from M1 pp. 35-39 and CA-019 pp. 2-4 (M1 is the
MIDI 1.0 Detailed Specification 4.2.1), or are files of the demo.  Only the causes in the dump are
looked at, so that what is tested is whether they are suspected and not which comes first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest

from dryload.emulator.dump.capture import Capture, Direction
from dryload.harness.diagnose.cause import Strength
from dryload.harness.diagnose.scene import Source, scene_of
from dryload.harness.diagnose.signs import signs_of
from dryload.harness.diagnose.table import TABLE
from dryload.harness.diagnose.weigh import Suspicion, suspicions_of
from dryload.harness.files.capture_file import load
from dryload.harness.files.recorded import Recorded, TakenAt, back_to_back
from tests import oracle
from tests.diagnosis.broken_dumps import (
    BROKEN,
    HELD_OUT,
    PACKET_OF,
    as_file,
    parts_of,
    source_of,
    talk_of,
)
from tests.judge.provoking import NOISE
from tests.test_captures_demo import DEMO

SINE = [round(12_000 * math.sin(at / 9)) for at in range(390)]


_ORDER = [cause.name for cause in TABLE.causes]
_FIRST = _ORDER.index("packets numbered wrongly")


def of_dump(recorded: Recorded, *sources: Source) -> list[Suspicion]:
    """What is suspected of the dump itself, whose causes stand last in the table."""
    found = suspicions_of(signs_of(scene_of(recorded, sources)), TABLE)
    return [each for each in found if _ORDER.index(each.name) >= _FIRST]


def suspected(recorded: Recorded, *sources: Source) -> list[Suspicion]:
    """The causes in the dump that are suspected, the strongest first."""
    return [each for each in of_dump(recorded, *sources) if not each.cause.is_harmless]


def named(recorded: Recorded, *sources: Source) -> list[str]:
    """The names of what is suspected."""
    return [each.name for each in suspected(recorded, *sources)]


def demo(name: str, folder: str = "broken") -> bytes:
    return (DEMO / folder / f"{name}.syx").read_bytes()


@pytest.mark.parametrize("name", sorted(set(BROKEN) - HELD_OUT - {"thunder-sample-number-swapped"}))
def test_broken_file_alone(name: str) -> None:
    recorded = load(str(DEMO / "broken" / f"{name}.syx")).recorded
    cause = BROKEN[name]
    if cause is None:
        assert not named(recorded)
        return
    first = suspected(recorded)[0]
    assert first.name == cause
    if name in PACKET_OF and first.at is not None:
        assert first.at.packet == PACKET_OF[name]


@pytest.mark.parametrize("taken_at", [TakenAt.LINE, TakenAt.HOST])
@pytest.mark.parametrize("name", sorted(set(BROKEN) - HELD_OUT - {"thunder-header-missing"}))
def test_broken_file_played(name: str, taken_at: TakenAt) -> None:
    cause = BROKEN[name]
    recorded = talk_of(demo(name), taken_at)
    assert recorded is not None
    found = suspected(recorded)
    if name == "bell-name-without-tag-length":
        cause = None  # a torn name is not sent
    if name == "thunder-cut-short":
        cause = "packet damaged in the dump"  # so much of it is sent
    assert [each.name for each in found[:1]] == ([] if cause is None else [cause])


@pytest.mark.parametrize("path", sorted((DEMO / "good").glob("*.syx")), ids=lambda path: path.stem)
def test_good_file(path: object) -> None:
    assert not named(load(str(path)).recorded)


@pytest.mark.parametrize("content", ["ramp", "silence", "extremes", "noise", "one cycle of a ramp"])
@pytest.mark.parametrize("bits", [8, 12, 14, 16, 21, 24, 28])
def test_words_that_say_nothing(content: str, bits: int) -> None:
    half = 1 << (bits - 1)
    values = {
        "ramp": [(37 * at) % (2 * half) - half for at in range(390)],
        "one cycle of a ramp": [((half // 128) * at) % (2 * half) - half for at in range(200)],
        "silence": [0] * 390,
        "extremes": [-half if at % 3 == 0 else half - 1 for at in range(390)],
        "noise": [value % (2 * half) - half for value in NOISE],
    }[content]
    data = oracle.dump(bits=bits, words=values, sample_number=1, period_ns=22_676, loop_type=0x7F)
    assert not named(as_file(data))


# One packet damaged: in the file, or on the way.


def _talk(sendings: Sequence[Sequence[bytes]], taken_at: TakenAt = TakenAt.LINE) -> Recorded:
    """A dump in which each packet is sent as given, rejected but for the last time."""
    header, _ = parts_of(GOOD)
    parts = [(Direction.TO_UNIT, header), (Direction.FROM_UNIT, oracle.handshake(kind="ACK"))]
    for place, bodies in enumerate(sendings):
        for number, body in enumerate(bodies):
            sound = oracle.checksum(body) == body[125]
            last = number == len(bodies) - 1
            kind = "ACK" if sound or (last and number == 0) else "NAK"
            reply = oracle.handshake(kind=kind, packet_number=place)
            parts += [(Direction.TO_UNIT, body), (Direction.FROM_UNIT, reply)]
    return Recorded(capture=Capture(back_to_back(parts)), taken_at=taken_at)


GOOD = oracle.dump(bits=16, words=NOISE[:390], sample_number=1, period_ns=22_676, loop_type=0x7F)
PACKETS = parts_of(GOOD)[1]
FLIPPED = PACKETS[4][:50] + bytes([PACKETS[4][50] ^ 8]) + PACKETS[4][51:]
SWAPPED = PACKETS[4][:50] + PACKETS[4][51:49:-1] + PACKETS[4][52:]


def with_packet(*sendings: bytes) -> list[list[bytes]]:
    return [[each] if place != 4 else list(sendings) for place, each in enumerate(PACKETS)]


def test_damaged_once_is_the_way() -> None:
    assert not named(_talk(with_packet(FLIPPED, PACKETS[4])))
    assert not named(_talk(with_packet(FLIPPED)))


def test_damaged_each_time_is_the_dump_or_a_rule_on_the_way() -> None:
    first = suspected(_talk(with_packet(FLIPPED, FLIPPED)))[0]
    assert (first.name, first.strength) == ("checksums wrong in the dump", Strength.FAIR)
    assert first.at is not None
    assert first.at.packet == 4


def test_the_source_tells_the_two_apart() -> None:
    right, wrong = source_of(GOOD), source_of(GOOD.replace(PACKETS[4], FLIPPED))
    once, twice = _talk(with_packet(FLIPPED)), _talk(with_packet(FLIPPED, FLIPPED))
    assert not named(once, right)
    assert not named(twice, right)
    for recorded in (once, twice):
        first = suspected(recorded, wrong)[0]
        assert (first.name, first.strength) == ("checksums wrong in the dump", Strength.SURE)


def test_at_the_host_it_was_sent_so() -> None:
    first = suspected(_talk(with_packet(FLIPPED), TakenAt.HOST))[0]
    assert (first.name, first.strength) == ("checksums wrong in the dump", Strength.SURE)


def test_a_way_that_spoils_others_too() -> None:
    others = with_packet(FLIPPED, FLIPPED)
    others[2] = [PACKETS[2][:9] + bytes([PACKETS[2][9] ^ 1]) + PACKETS[2][10:], PACKETS[2]]
    assert not named(_talk(others))


# Causes that no file of the demo has.


def _file(header: bytes, packets: Sequence[bytes], *more: bytes) -> Recorded:
    return as_file(b"".join((header, *packets, *more)))


HEADER = parts_of(GOOD)[0]


def test_a_length_too_small() -> None:
    header = oracle.header(sample_number=1, bits=16, period_ns=22_676, length=150, loop_type=0x7F)
    assert named(_file(header, PACKETS))[0] == "length wrong"
    assert not named(_file(HEADER, PACKETS))


@pytest.mark.parametrize("bits", [3, 7, 29, 90])
def test_a_width_that_cannot_be(bits: int) -> None:
    header = oracle.header(sample_number=1, bits=bits, period_ns=22_676, length=390, loop_type=0x7F)
    assert named(_file(header, PACKETS))[0] == "header wrong"


def test_a_name_under_a_swapped_number() -> None:
    swapped = oracle.sample_name(sample_number=128, name=b"Gull")
    right = oracle.sample_name(sample_number=1, name=b"Gull")
    assert named(_file(HEADER, PACKETS, swapped)) == ["name wrong"]
    assert not named(_file(HEADER, PACKETS, right))


def test_a_loop_of_a_single_word() -> None:
    """The judge calls it bent: a loop one word long is a buzz, however long the sample (HDR-10)."""
    one = oracle.dump(
        bits=16, words=[5], sample_number=1, period_ns=22_676, loop_start=0, loop_end=0, loop_type=0
    )
    assert named(as_file(one)) == ["loop wrong"]


def test_the_period_that_rounds_down_is_nothing_wrong() -> None:
    header = oracle.header(sample_number=1, bits=16, period_ns=22_675, length=390, loop_type=0x7F)
    assert not of_dump(_file(header, PACKETS))


# Two at a place.


def test_one_direction_of_a_line_is_no_file() -> None:
    recorded = _talk(with_packet(FLIPPED))
    one_way = Recorded(
        capture=Capture(
            [each for each in recorded.capture.passages if each.direction is Direction.TO_UNIT]
        ),
        directions=(Direction.TO_UNIT,),
        taken_at=TakenAt.LINE,
    )
    assert not named(one_way)
    assert named(as_file(GOOD.replace(PACKETS[4], FLIPPED))) == ["checksums wrong in the dump"]
