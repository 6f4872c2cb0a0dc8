"""Worked timelines of dump V1 (16 bit, 41 words, 2 packets) in whole nanoseconds.

One byte lasts 320,000 ns: 31,250 baud, 10 bits a byte (M1 p. 1). Waiting rules: M1 p. 39. The
instants are computed independently from these. Each entry is (what, start_ns, end_ns), from the
first bit of F0 to the last bit of F7.
"""

from __future__ import annotations

Timeline = tuple[tuple[str, int, int], ...]

BYTE_NS = 320_000  # M1 p. 1
HEADER_WAIT_NS = 2_000_000_000  # "at least two seconds" after the header (M1 p. 39)
PACKET_WAIT_NS = 20_000_000  # 20 ms after a packet (M1 p. 39)

# Closed loop: the receiver takes 5 ms to answer the header and 2 ms to answer a packet.
CLOSED_HEADER_ANSWER_NS = 5_000_000
CLOSED_PACKET_ANSWER_NS = 2_000_000
CLOSED_LOOP: Timeline = (
    ("header", 0, 6_720_000),
    ("ACK", 11_720_000, 13_640_000),
    ("packet 0", 13_640_000, 54_280_000),
    ("ACK", 56_280_000, 58_200_000),
    ("packet 1", 58_200_000, 98_840_000),
    ("ACK", 100_840_000, 102_760_000),
)

# Open loop, the fastest legal one: nobody answers, each wait is the shortest allowed.
OPEN_LOOP: Timeline = (
    ("header", 0, 6_720_000),
    ("packet 0", 2_006_720_000, 2_047_360_000),
    ("packet 1", 2_067_360_000, 2_108_000_000),
)
OPEN_LOOP_OVER_NS = 2_128_000_000  # 20 ms more for a possible NAK

# An answer complete within 20 ms must begin by then: 20 ms less 6 bytes.
LATEST_ANSWER_START_NS = 18_080_000

# Words a second in the long run: words a packet, open loop with 20 ms gaps, closed loop with an
# answer that begins at once. Rounded to a tenth.
WORDS_PER_SECOND: tuple[tuple[int, float, float], ...] = (
    (60, 989.4, 1409.8),
    (40, 659.6, 939.8),
    (30, 494.7, 704.9),
)

# Tolerance of the line, 1 % either way (M1 p. 1): shortest and longest packet, to a hundredth ms.
PACKET_MS_AT_TOLERANCE = (40.24, 41.05)
