"""What happened to one message: by its length, its loose rest, and the packet as it was."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from dryload.harness.diagnose.scene import scene_of
from dryload.harness.files.recorded import TakenAt
from dryload.harness.judge.damage import (
    Damage,
    Hit,
    damage_of,
    remains_of,
    sum_is_off_by,
)
from tests.diagnosis.spoiling import (
    Change,
    with_more,
    without,
)
from tests.judge.talking import (
    TO,
    Tape,
    flipped,
    header,
    packets,
    words,
)

# What happened to one message.


def _damage(arrived: bytes, reference: bytes | None) -> Damage:
    """What is said of the first message of these bytes."""
    recorded = replace(Tape().to(arrived).to(header(1)).recorded(), taken_at=TakenAt.LINE)
    spoken = list(scene_of(recorded).spoke(TO))
    remains = remains_of(spoken)
    return damage_of(spoken[0], remains.get(spoken[0].place, ()), reference)


_PACKET = packets(1)[0]


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize(
    ("change", "kind", "count"),
    [
        (flipped, Hit.ALTERED, 1),
        (without(50, 3), Hit.LOST, 3),
        (with_more(50, b"\x01\x02"), Hit.ADDED, 2),
        (lambda packet: packet[:-1], Hit.END_LOST, 1),
        (lambda packet: packet[:100], Hit.CUT, 27),
        (with_more(50, bytes((0x92, 60, 64))), Hit.NOTE, 3),
    ],
)
def test_what_happened_to_a_packet(change: Change, kind: Hit, count: int, known: bool) -> None:
    found = _damage(change(_PACKET), _PACKET if known else None)
    assert (found.hit, found.count) == (kind, count)


def test_the_altered_bytes_are_counted_where_the_packet_is_known() -> None:
    spoiled = flipped(flipped(_PACKET, at=20), at=70)
    assert _damage(spoiled, _PACKET).count == 2


def test_a_checksum_that_is_right_is_off_by_nothing() -> None:
    assert sum_is_off_by(_PACKET) == 0
    assert sum_is_off_by(flipped(_PACKET, bit=8)) == 8


def test_the_sound_of_these_packets_is_not_all_alike() -> None:
    """Else a byte that is missing, or a bit that is stuck, would prove nothing."""
    assert len(set(words(40))) == 40
