"""What a peer that never stops asking can make the unit hold: a bounded amount."""

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.profile import load_profile
from tests import oracle
from tests.unit.rack import profile_of

IDENTITY_REQUEST = bytes.fromhex("f07e7f0601f7")  # M1 p. 40


def waiting(unit: RackUnit) -> int:
    """Return how many messages wait to go out, by taking them."""
    count = 0
    while unit.bytes_to_send():
        count += 1
    return count


def test_questions_that_nobody_hears_the_answers_of_do_not_pile_up() -> None:
    unit = RackUnit(load_profile())
    for _ in range(40_000):
        unit.receive_bytes(IDENTITY_REQUEST, 0)
    assert waiting(unit) == 1 << 15
    unit.receive_bytes(IDENTITY_REQUEST, 0)
    assert waiting(unit) == 1


def test_copies_of_the_input_do_not_pile_up() -> None:
    unit = RackUnit(profile_of("[habits]\necho = true\n"))
    for _ in range(40_000):
        unit.receive_bytes(b"\xf0\x7d\x00\xf7", 0)
    assert waiting(unit) == 1 << 15


def test_wait_after_wait_while_a_sample_goes_out_leaves_nothing_behind() -> None:
    unit = RackUnit(load_profile())
    data = oracle.dump(bits=16, words=[1] * 40, sample_number=1, period_ns=22_676)
    for _, message in oracle.split(data):
        unit.receive_bytes(message, 0)
        while (at_ns := unit.next_deadline_ns()) is not None and at_ns < 1_000_000_000:
            unit.handle_deadline(at_ns)
    waiting(unit)
    unit.receive_bytes(oracle.dump_request(sample_number=1), 2_000_000_000)
    assert unit.is_sending
    assert unit.bytes_to_send()
    for _ in range(1_000):
        unit.receive_bytes(oracle.handshake(kind="WAIT"), 2_000_000_000)
    assert unit._sender is not None
    assert len(unit._sender._events) <= 1
