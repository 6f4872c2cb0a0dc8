"""Numbers of the standard, each with its clause or page.

"M1" is the MIDI 1.0 Detailed Specification, document version 4.2.1 (February 1996), printed pages;
"CA-019" the Confirmation of Approval for the Sample Dump extensions.
"""

from typing import Final

START: Final = 0xF0  # FRM-01, M1 p. 29
END: Final = 0xF7  # FRM-01, M1 p. 29
FAMILY: Final = 0x7E  # FRM-06, Universal Non-Real-Time, M1 p. 35
ALL_CALL: Final = 0x7F  # DEV-02, M1 p. 35
FIRST_REALTIME: Final = 0xF8  # FRM-02, M1 p. 30
SYSTEM_RESET: Final = 0xFF  # FRM-12, M1 p. 33
ACTIVE_SENSING: Final = 0xFE  # TIM-09, M1 p. 32

BYTE_NS: Final = 320_000  # ten bits at 31,250 baud, M1 p. 1
HEADER_LIMIT_NS: Final = 2_000_000_000  # TIM-01, M1 p. 39
PACKET_LIMIT_NS: Final = 20_000_000  # TIM-03, M1 p. 39

PACKET_SUB_ID: Final = 0x02  # M1 p. 37
PACKET_BYTES: Final = 127  # PKT-01, M1 p. 37
PACKET_DATA_BYTES: Final = 120  # PKT-01, M1 p. 37
PACKET_NUMBERS: Final = 128  # PKT-03, M1 p. 39
FILLER: Final = 0x00  # PKT-08, M1 p. 39

MIN_BITS: Final = 8  # HDR-03, M1 p. 37
MAX_BITS: Final = 28  # HDR-03, M1 p. 37
MAX_SAMPLE_NUMBER: Final = 16_383  # HDR-02, M1 p. 37
MAX_21_BIT: Final = 2_097_151  # HDR-13: period, length and loop points, M1 p. 37
MAX_35_BIT: Final = 34_359_738_367  # EXT-03, CA-019 p. 2
MAX_28_BIT: Final = 268_435_455  # EXT-02, CA-019 p. 2
MAX_CHANNELS: Final = 127  # EXT-05, CA-019 p. 3
ALL_LOOPS: Final = 16_383  # LOP-04, M1 p. 38
MAX_NAME: Final = 127  # NAM-02, CA-019 p. 4

LOOP_FORWARD: Final = 0x00  # HDR-08, M1 p. 37
LOOP_BACKWARD_FORWARD: Final = 0x01  # HDR-08, M1 p. 37
LOOP_OFF: Final = 0x7F  # HDR-08, M1 p. 37
LOOP_TYPES: Final = {  # HDR-08, M1 p. 37
    LOOP_FORWARD: "forward",
    LOOP_BACKWARD_FORWARD: "backward and forward",
    LOOP_OFF: "no loop",
}
EXTENDED_LOOP_TYPES: Final = {  # EXT-04, CA-019 pp. 2-3
    0x00: "forward, one way",
    0x01: "forward, to and fro",
    0x02: "forward, one way, then the rest after key-up",
    0x03: "forward, to and fro, then the rest after key-up",
    0x40: "backward, one way",
    0x41: "backward, to and fro",
    0x42: "backward, one way, then the rest after key-up",
    0x43: "backward, to and fro, then the rest after key-up",
    0x7E: "backward, no loop",
    0x7F: "forward, no loop",
}
