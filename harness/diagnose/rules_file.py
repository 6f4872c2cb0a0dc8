"""Rules about what is wrong with the dump itself, as it is sent every time."""

from collections.abc import Callable, Iterator
from typing import Final

from harness.diagnose import rules_file_header as header
from harness.diagnose import rules_file_leaps as leaps
from harness.diagnose import rules_file_order as order
from harness.diagnose import rules_file_packets as packets
from harness.diagnose import rules_file_source as source
from harness.diagnose import rules_file_words as words
from harness.diagnose.cause import Suspicion
from harness.diagnose.rules_file_common import for_each_sent
from harness.diagnose.scene import Scene

_BY_PACKETS: Final = (
    packets.wrong_sums,
    packets.torn,
    packets.other_device,
    order.begin_at_1,
    order.gaps,
    order.exchanged,
    order.twice,
    order.headless,
    header.sample_number,
    header.names,
    source.differs,
)
_BY_HEADER: Final = (
    packets.filler,
    packets.too_many,
    order.end_missing,
    header.period,
    header.turned_fields,
    header.loop,
    header.length,
    header.impossible,
    words.misplaced_bits,
    leaps.leaps,
    words.spread_bits,
    words.bytes_a_word,
    words.reading,
    words.end_of_zeros,
)
FILE_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    *(for_each_sent(rule) for rule in _BY_PACKETS),
    *(for_each_sent(rule, by_header=True) for rule in _BY_HEADER),
    source.came_back,
)
