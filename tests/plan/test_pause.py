"""What a program takes that does not listen: by plain arithmetic, and by what people report."""

from __future__ import annotations

import pytest

from dryload.harness.plan.pause import Amount, amount_of
from tests import oracle
from tests.jobs.bench import of

BYTE_S = 0.000_320  # TIM-01: 31,250 baud, ten bits a byte
MS = 1_000_000


def amount(size: int) -> Amount:
    """So many bytes of 16 bit words, in one dump."""
    words = size // 2
    packets = oracle.packet_count(words, 16)
    return Amount(dumps=1, packets=packets, line_ns=(21 + 127 * packets) * 320_000)


def test_it_is_the_bytes_of_all_messages() -> None:
    data = oracle.dump(bits=12, words=[5] * 121, sample_number=1, period_ns=22_676)
    data += oracle.sample_name(sample_number=1, name=b"Gulls")
    found = amount_of([of(data).outgoing] * 2)
    assert (found.dumps, found.packets, found.line_ns) == (2, 6, 2 * len(data) * 320_000)
    # An ACK of 6 bytes for the header and one for each packet (HSK-01).
    assert found.answered_ns == found.line_ns + 2 * 4 * 6 * 320_000


@pytest.mark.parametrize(
    ("size", "minutes", "answered_s", "pause_ms"),
    [
        # Common practice, without a source: a little over a quarter of a megabyte takes more than
        # 17 minutes, and some 155 KB take 13, with programs that pause after each packet; with
        # answers it would be some 2 min 20 s and 1 min 22 s.
        (262_144, 17, 140, 270),
        (155_000, 13, 82, 362),
    ],
)
def test_facts_of_the_trade(size: int, minutes: int, answered_s: int, pause_ms: int) -> None:
    found = amount(size)
    assert found.answered_ns / 1e9 == pytest.approx(answered_s, abs=1)
    pause_ns = found.pause_of(minutes * 60_000_000_000)
    assert pause_ns is not None
    assert pause_ns / MS == pytest.approx(pause_ms, abs=1)
    # 127 bytes on the cable and the pause, for every packet.
    by_hand_s = 21 * BYTE_S + found.packets * (127 * BYTE_S + pause_ns / 1e9)
    assert found.paused_ns(pause_ns) / 1e9 == pytest.approx(by_hand_s)
    assert by_hand_s / 60 == pytest.approx(minutes, abs=0.001)


def test_no_pause_makes_it_quicker_than_the_cable() -> None:
    found = amount(1_000)
    assert found.pause_of(found.line_ns) == 0
    assert found.pause_of(found.line_ns - 1) is None
    assert Amount(dumps=0, packets=0, line_ns=0).pause_of(5) is None
