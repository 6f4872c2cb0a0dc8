"""A requester on a bench, and what a unit may send it."""

from __future__ import annotations

from typing import Final

from dryload.emulator.dump.requester import Patience, Requester
from dryload.emulator.wire.messages import LoopPointsRequest, Message, SampleNameRequest
from tests import oracle
from tests.dump.talk import packets

ID: Final = 5
PACKETS = packets(4, device_id=ID)
LOOPS = LoopPointsRequest(device_id=ID, sample_number=300, loop_number=16_383)
NAME = SampleNameRequest(device_id=ID, sample_number=300)
A_LOOP = oracle.loop_points(
    device_id=ID, sample_number=300, loop_number=1, loop_start=2, loop_end=9, loop_type=0
)
LONG_LOOP = oracle.loop_points(
    device_id=ID, sample_number=300, loop_number=2, loop_start=2, loop_end=9, extended=True
)
A_NAME = oracle.sample_name(device_id=ID, sample_number=300, name=b"gulls")


def header(length: int = 80, **fields: int) -> bytes:
    given = {"device_id": ID, "sample_number": 300, "bits": 16, "period_ns": 1, **fields}
    return oracle.header(length=length, **given)


def make(*questions: Message, device_id: int = ID) -> Requester:
    return Requester(
        device_id=device_id,
        sample_number=300,
        questions=questions,
        patience=Patience(answer_ns=1000, more_ns=50),
    )


def asked(*questions: Message, device_id: int = ID) -> Requester:
    """Return a requester whose request left at 100 ns."""
    requester = make(*questions, device_id=device_id)
    requester.start(0)
    assert requester.bytes_to_send() == oracle.dump_request(device_id=device_id, sample_number=300)
    assert requester.message_left(100) == ()
    return requester


def dumped(*questions: Message) -> Requester:
    """Return a requester that has its dump of two packets."""
    requester = asked(*questions)
    for now_ns, body in enumerate([header(), *PACKETS[:2]], start=110):
        requester.receive_bytes(body, now_ns)
    return requester


def everything(requester: Requester) -> list[bytes]:
    taken = []
    while message := requester.bytes_to_send():
        taken.append(message)
    return taken
