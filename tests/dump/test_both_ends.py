"""Sender and receiver with one another, for every combination of the habits in which units differ.

No line between them here: a message arrives when it is sent, and time leaps to the next deadline.
What must hold (M1 p. 39): the dump comes to its end, and what was stored is what was sent.
"""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from dryload.emulator.dump.outgoing import Outgoing
from dryload.emulator.dump.receiver import Pace, Receiver
from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.dump.switches import ReceiverSwitches, SenderSwitches
from dryload.emulator.wire.codec import decode
from tests import oracle
from tests.dump.bench import Shelf

COUNT = 131  # packets: the numbers wrap (PKT-03)
PACKETS = oracle.packets(bits=16, words=range(40 * COUNT))
DUMP = Outgoing(
    header=oracle.header(sample_number=1, bits=16, period_ns=22676, length=40 * COUNT),
    packets=PACKETS,
)
HABITS: dict[str, tuple[Any, ...]] = {
    "header_ack_number": ("zero", "127", "last", "varying"),
    "packet_ack_number": ("packet", "next", "zero"),
    "reply_id": ("own", "received"),
    "final_ack": (True, False),
    "wait_before_ack": (True, False),
    "answers": (True, False),
}
COMBINATIONS = [
    dict(zip(HABITS, each, strict=True)) for each in itertools.product(*HABITS.values())
]


def play(
    sender: Sender, receiver: Receiver, *, lose: frozenset[tuple[str, int]] = frozenset()
) -> int:
    """Let both talk until neither wants anything; return when that is.

    `lose` names messages that vanish: ("to unit" or "from unit", how many went that way before).
    """
    now_ns = 0
    counts = {"to unit": 0, "from unit": 0}
    sender.start(now_ns)
    for _ in range(20 * COUNT):
        if message := sender.bytes_to_send():
            sender.message_left(now_ns)
            if ("to unit", counts["to unit"]) not in lose:
                receiver.take(decode(message), now_ns)
            counts["to unit"] += 1
        elif reply := receiver.bytes_to_send():
            if ("from unit", counts["from unit"]) not in lose:
                sender.receive_bytes(reply, now_ns)
            counts["from unit"] += 1
        else:
            wishes = (sender.next_deadline_ns(), receiver.next_deadline_ns())
            due = [wish for wish in wishes if wish is not None]
            if not due:
                return now_ns
            now_ns = max(now_ns, min(due))
            sender.handle_deadline(now_ns)
            receiver.act_on_deadline(now_ns)
    raise AssertionError("they talk for ever")


def make(
    habits: dict[str, Any], *, packet_ns: int = 0, **switches: Any
) -> tuple[Sender, Receiver, Shelf]:
    shelf = Shelf()
    receiver = Receiver(
        shelf,
        device_id=0,
        switches=ReceiverSwitches(**habits),
        pace=Pace(header_ns=0, packet_ns=packet_ns),
    )
    return Sender(DUMP, switches=SenderSwitches(**switches)), receiver, shelf


@pytest.mark.parametrize("packet_ns", [0, 15_000_000, 30_000_000])
def test_every_kind_of_unit_gets_the_whole_dump(packet_ns: int) -> None:
    for habits in COMBINATIONS:
        sender, receiver, shelf = make(habits, packet_ns=packet_ns)
        play(sender, receiver)

        assert sender.end is SenderEnd.SENT, habits
        assert shelf.ends == ["whole"], habits
        assert shelf.numbers == [index % 128 for index in range(COUNT)], habits


@pytest.mark.parametrize("wrong_ack", ["accept", "cancel"])
def test_a_sender_that_minds_numbers_goes_by_them(wrong_ack: str) -> None:  # HSK-02
    for habits in COMBINATIONS:
        sender, receiver, shelf = make(habits, wrong_ack=wrong_ack)
        play(sender, receiver)

        odd = habits["packet_ack_number"] != "packet" and habits["answers"]
        held = habits["wait_before_ack"]  # then any ACK goes on
        strict = wrong_ack == "cancel" and odd and not held
        assert (sender.end is SenderEnd.CONFUSED) == strict, habits
        assert (shelf.ends == ["abandoned"]) == strict, habits


@pytest.mark.parametrize("lost", range(8))
@pytest.mark.parametrize("way", ["to unit", "from unit"])
def test_one_lost_message_is_made_good_or_noticed(way: str, lost: int) -> None:
    sender, receiver, shelf = make({})
    play(sender, receiver, lose=frozenset({(way, lost)}))
    whole = [index % 128 for index in range(COUNT)]

    assert sender.end is SenderEnd.SENT
    if way == "from unit":
        # The sender takes silence for an open loop (TIM-03), and nothing is missing.
        assert shelf.numbers == whole
        assert shelf.ends == ["whole"]
    elif lost == 0:
        assert shelf.headers == []  # no header, no dump (STA-01)
    else:
        # A packet is missing: the unit treats the next as good (M1 p. 39) and waits in vain.
        assert shelf.numbers == whole[: lost - 1] + whole[lost:]
        assert shelf.ends == ["abandoned"]


@pytest.mark.parametrize("lost", range(1, 8))
@pytest.mark.parametrize("jump", ["nak", "cancel", "ignore"])
def test_other_policies_notice_a_lost_packet_too(jump: str, lost: int) -> None:  # HSK-16
    sender, receiver, shelf = make({"number_jump": jump})
    play(sender, receiver, lose=frozenset({("to unit", lost)}))

    assert shelf.ends == ["abandoned"]
    # One that ignores goes on when the numbers have wrapped and look right again (PKT-10).
    again = COUNT - 128 if jump == "ignore" else 0
    assert shelf.numbers == list(range(max(lost - 1, again)))
    expected = {
        "nak": SenderEnd.REJECTED,
        "cancel": SenderEnd.CANCELLED,
        "ignore": SenderEnd.SENT,
    }
    assert sender.end is expected[jump]
