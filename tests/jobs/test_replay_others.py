"""A replay that is interrupted, and one to a unit that is not ours."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.endpoint import Endpoint
from dryload.emulator.dump.events import Event
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.unit.board import RackUnit
from dryload.harness.jobs.forecast import Doing, Step
from dryload.harness.jobs.outcome import Outcome
from dryload.harness.jobs.transfer import Replay
from tests import oracle
from tests.jobs.bench import FROM, TO, dump, in_slot, kinds, rehearsal, said, unit, words

LOADED, CHANGED, REFUSED, INCOMPLETE, UNCONFIRMED, NOT_KEPT = Outcome


# Interrupted


def after(asked: int) -> Callable[[], bool]:
    """Want to stop from the time on at which that was asked so many times."""
    count = 0

    def wants_stop() -> bool:
        nonlocal count
        count += 1
        return count > asked

    return wants_stop


@pytest.mark.parametrize(("partial", "kept"), [("drop", False), ("keep", True)])
def test_stopping_in_the_middle_tells_the_unit_and_leaves_what_is_stored(
    partial: str, kept: bool
) -> None:
    asked = 60
    profile = unit(habits={"partial": partial})
    rehearsed = rehearsal(profile, wants_stop=after(asked), leaps=False)  # asked at each packet
    first = rehearsed.play(dump(words(60), number=0))
    second = rehearsed.play(dump(words(4000), number=1))
    assert (first.outcome, first.verified, first.stopped) == (LOADED, True, False)
    assert (second.outcome, second.verified, second.stopped) == (INCOMPLETE, None, True)
    assert second.reason == f"you stopped it at packet {second.sent - 1}"
    assert 1 < second.sent < 100
    assert not second.is_well
    # told once, and nothing after it: no packet and no request (HSK-19, M1 p. 36)
    last = said(rehearsed, TO)[-1]
    assert last == oracle.handshake(kind="CANCEL", packet_number=second.sent - 1)
    assert not rehearsed.unit.is_receiving
    assert in_slot(rehearsed, 1) == words(60)
    held = in_slot(rehearsed, 2)
    assert (held is not None) == kept
    assert held is None or held == words(4000)[: len(held)]
    assert second.slot == (2 if kept else None)


def test_stopping_before_the_header_is_answered() -> None:
    rehearsed = rehearsal(unit("thunder-sheet"), wants_stop=after(1))
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.sent, transfer.stopped) == (INCOMPLETE, 0, True)
    assert transfer.reason == "you stopped it at the header"
    assert kinds(said(rehearsed, TO)) == ["01", "CANCEL"]


def test_stopping_while_reading_back_ends_that_and_keeps_the_outcome() -> None:
    lines: list[SimulatedLine] = []

    def wants_stop() -> bool:
        passages = lines[0].capture.passages
        return sum(each.direction is FROM and len(each.data) == 127 for each in passages) > 5

    # a unit that asks back to back leaves no quiet on the line: it is looked at all the same
    rehearsed = rehearsal(unit(), wants_stop=wants_stop)
    lines.append(rehearsed.line)
    transfer = rehearsed.play(dump(words(40_000)))
    assert (transfer.outcome, transfer.verified, transfer.stopped) == (LOADED, None, True)
    assert 5 < sum(len(message) == 127 for message in said(rehearsed, FROM)) < 300
    assert transfer.unread.startswith("you stopped it after ")
    assert kinds(said(rehearsed, TO))[-1] == "CANCEL"
    assert in_slot(rehearsed, 2) == words(40_000)


def test_progress_counts_packets_up_to_all_of_them_both_ways() -> None:
    shown: list[Step] = []
    rehearsed = rehearsal(leaps=False)
    rehearsed._progress = shown.append
    rehearsed.play(dump(words(8000)))
    for doing in (Doing.SENDING, Doing.READING):
        packets = [step.packet for step in shown if step.doing is doing]
        assert packets == sorted(packets)
        if doing is Doing.SENDING:  # back to back, as the unit sends, the line is never quiet
            assert set(range(1, 199)) <= set(packets)
        assert {step.packets for step in shown} == {200}
    assert (shown[-1].doing, shown[-1].packet) == (Doing.READING, 200)
    times = [step.now_ns for step in shown]
    assert times == sorted(times)


# Units that are not ours: only what goes over the line counts


class Scripted:
    """Answers each message that ends with F7 with what comes next in its script."""

    def __init__(self, *answers: bytes) -> None:
        self._answers = list(answers)
        self._ready: list[bytes] = []

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        if data.endswith(b"\xf7") and self._answers:
            self._ready.append(self._answers.pop(0))
        return ()

    def message_left(self, now_ns: int) -> Sequence[Event]:
        return ()

    def handle_deadline(self, now_ns: int) -> Sequence[Event]:
        return ()

    def next_deadline_ns(self) -> int | None:
        return None

    def bytes_to_send(self) -> bytes:
        return self._ready.pop(0) if self._ready else b""


def strange(endpoint: Endpoint) -> Replay:
    """A replay to a unit of which nothing is known."""
    heard: list[Replay] = []

    def hear(direction: Direction, events: Sequence[Event]) -> None:
        if direction is TO:  # a stranger reports nothing
            heard[0].hear(events)

    replay = Replay(SimulatedLine(endpoint, listener=hear))
    heard.append(replay)
    return replay


def test_a_unit_that_is_not_ours_is_verified_over_the_line_alone() -> None:
    replay = strange(RackUnit(unit()))
    transfer = replay.play(dump())
    assert (transfer.outcome, transfer.verified) == (LOADED, True)
    assert (transfer.slot, transfer.holds, transfer.memory) == (None, None, None)
    assert transfer.is_well


def test_a_unit_that_is_not_ours_and_changes_the_words_is_found_out() -> None:
    replay = strange(RackUnit(unit("prompt-box")))
    transfer = replay.play(dump())
    assert (transfer.outcome, transfer.verified) == (CHANGED, False)


@pytest.mark.parametrize(
    ("answers", "outcome", "reason"),
    [
        (["CANCEL"], REFUSED, "the unit cancelled the dump at the header"),
        (["ACK", "CANCEL"], INCOMPLETE, "the unit cancelled the dump at packet 0"),
        (["NAK", "NAK"], REFUSED, "the unit rejected the header again and again"),
        (["ACK", *["NAK"] * 3], INCOMPLETE, "the unit rejected packet 0 again and again"),
        (["WAIT"], INCOMPLETE, "the unit asked to wait at the header and never went on"),
        (["ACK", "ACK"], UNCONFIRMED, "2 packets were never answered, the first is packet 1"),
        ([], UNCONFIRMED, "the unit never answered, so nothing says that it listened"),
        (
            ["ACK"] * 5,
            UNCONFIRMED,
            "the unit acknowledged all of it, but it was not read back: the unit did not answer "
            "the request for the sample",
        ),
    ],
)
def test_what_a_stranger_answers_decides(answers: list[str], outcome: Outcome, reason: str) -> None:
    at = [0, 0, 1, 2, 3]
    script = [
        oracle.handshake(kind=kind, packet_number=0 if kind == "NAK" else at[place])
        for place, kind in enumerate(answers)
    ]
    replay = strange(Scripted(*script))
    transfer = replay.play(dump())
    assert (transfer.outcome, transfer.reason, transfer.verified) == (outcome, reason, None)
    assert not transfer.is_well  # it was to be read back, and none of them sent it


def test_a_stranger_that_talks_while_it_asks_to_wait_ends_the_dump() -> None:
    # during WAIT anything that is no reply ends a dump (M1 p. 39)
    chatter = oracle.handshake(kind="WAIT") + oracle.identity_request(device_id=0)
    replay = strange(Scripted(chatter))
    transfer = replay.play(dump())
    assert transfer.outcome is INCOMPLETE
    assert transfer.reason == "the unit sent something that ends a dump, at the header"
