"""Sample periods of common rates in whole nanoseconds, and their bytes in the header.

The header gives the period in nanoseconds, 3 groups, least significant first (M1 p. 37). The rates
are common practice; the nearest periods and their bytes are computed independently.
"""

from __future__ import annotations

# (rate in Hz, nearest period in ns, bytes 7-9 of the dump header)
PERIODS: tuple[tuple[int, int, str], ...] = (
    (8000, 125000, "48 50 07"),
    (11025, 90703, "4F 44 05"),
    (16000, 62500, "24 68 03"),
    (22050, 45351, "27 62 02"),
    (32000, 31250, "12 74 01"),
    (44100, 22676, "14 31 01"),
    (48000, 20833, "61 22 01"),
    (88200, 11338, "4A 58 00"),
    (96000, 10417, "31 51 00"),
    (192000, 5208, "58 28 00"),
)

# The two whole periods on either side of 44,100 Hz, and their rates to a hundredth of a hertz.
NEIGHBOURS_OF_44100: tuple[tuple[int, float], ...] = ((22675, 44101.43), (22676, 44099.49))

SLOWEST_PERIOD_NS = 2097151  # 7F 7F 7F (M1 p. 37)
SLOWEST_RATE_HZ = 476.837  # 1e9 / 2097151, to a thousandth
WORST_PITCH_ERROR_CENT = 0.11  # of the table above, at 192 kHz, to a hundredth
