"""A leap and the event loop are the same: every byte, instant and event, and all that is left.

The event loop is the truth.  Each case is rehearsed by it alone and with leaps: a dump is sent and,
in most cases, read back.  There are random units, damaged dumps, waits, slow stores, hands at the
panel, links, faults, and a user who stops at a random packet.  Compared is everything that either
rehearsal holds, down to the private fields of both ends.

The long run: `python -m tests.line.test_leap --runs 5000 --seed 1`.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from enum import Enum
from fractions import Fraction
from typing import Any, NamedTuple, get_args

import numpy as np
import pytest
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.capture import Passage
from dryload.emulator.dump.events import Event
from dryload.emulator.dump.outgoing import Outgoing, outgoing
from dryload.emulator.dump.receiver import Receiver
from dryload.emulator.dump.replies import Limits, ReplyMatcher
from dryload.emulator.dump.requester import Requester
from dryload.emulator.dump.sample import Sample
from dryload.emulator.dump.sender import Sender
from dryload.emulator.dump.switches import SenderSwitches
from dryload.emulator.line import leap as leaping
from dryload.emulator.line import simulate
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.link import Link, link_named
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.possible import Profile, ProfileError
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.emulator.wire.constants import BYTE_NS
from dryload.emulator.wire.messages import DataPacket, Message
from dryload.emulator.wire.splitter import Piece
from dryload.emulator.wire.words import word_dtype
from tests.edits import delay_message, flip_bit, lose_byte, lose_message, repeat_message
from tests.line.any_link import USUAL
from tests.line.players import FROM, TO

RUNS = 120
MS = 1_000_000
SLICE_NS = 10_000_000_000


# Cases


class Hand(NamedTuple):
    """Somebody does something at an instant."""

    at_ns: int
    what: str


class Case(Struct, frozen=True, kw_only=True, dict=True):
    """Everything that decides a rehearsal."""

    profile: Profile
    dump: Outgoing
    switches: SenderSwitches
    limits: Limits
    hands: tuple[Hand, ...]
    disturbances: tuple[Disturbance, ...]
    link: Link | None
    slice_ns: int
    """How far a run goes at a time."""
    read_back: bool
    enough: int | None
    device_id: int
    number: int


def case_of(seed: int, number: int) -> Case:
    """Return the case of a number."""
    dice = random.Random(f"{seed} {number}")
    profile = _at_fault(_unit(dice), random.Random(f"cells {seed} {number}"))
    bits = dice.choice(profile.words.accepts)
    device_id = profile.unit.device_id if dice.random() < 0.9 else 127
    words = dice.choice((1, 40, 300, 3_000, 9_000, 12_000)) + dice.randrange(400)
    half = 1 << (bits - 1)
    sound = np.random.default_rng(number).integers(-half, half, words).astype(word_dtype(bits))
    sample = Sample(words=sound, bits=bits, rate=Fraction(44_100))
    slot = profile.slots.first_number + dice.randrange(min(profile.slots.count, 9))
    dump = outgoing(sample, number=slot, device_id=device_id)
    if dice.random() < 0.34:
        dump = replace(dump, packets=_damaged(dice, list(dump.packets)))
    line_ns = 60 * MS * len(dump.packets)
    hands = tuple(
        Hand(dice.randrange(2 * line_ns), dice.choice(("stop", "off", "interrupt", "look", "deaf")))
        for _ in range(dice.choice((0, 0, 0, 0, 1, 1, 2)))
    )
    return Case(
        profile=profile,
        dump=dump,
        switches=SenderSwitches(
            after_silence=dice.choice(("again", "again", "go on", "stop")),
            wrong_ack=dice.choice(("ignore", "ignore", "accept", "cancel")),
            sends_eof=dice.random() < 0.2,
        ),
        limits=dice.choice((Limits(), Limits(), Limits(packet_ns=4 * MS), Limits(header_ns=MS))),
        hands=hands,
        disturbances=tuple(_faults(dice, len(dump.packets))) if dice.random() < 0.1 else (),
        link=link_named(dice.choice(USUAL)) if dice.random() < 0.05 else None,
        slice_ns=dice.choice((SLICE_NS, SLICE_NS, 10**15, dice.randrange(100 * MS, 3_000 * MS))),
        read_back=dice.random() < 0.7,
        enough=dice.choice((None, None, None, 1, 30)),
        device_id=device_id,
        number=slot,
    )


def _unit(dice: random.Random) -> Profile:
    """One of the units that are shipped, perhaps with other habits."""
    profile = load_profile(dice.choice(profile_names()))
    traits, habits = profile.input, profile.habits
    if dice.random() < 0.6:
        store_ns = dice.choice((0, 1, 2 * MS, 15 * MS, 18_080_000, 18_080_001, 35 * MS, 600 * MS))
        traits = replace(traits, store_packet_ns=store_ns, store_header_ns=dice.choice((0, 9 * MS)))
    if dice.random() < 0.15:
        traits = replace(traits, buffer_bytes=dice.choice((100, 126, 127, 128, 200)))
    if dice.random() < 0.3:
        habits = replace(
            habits,
            packet_ack_number=dice.choice(("packet", "next", "zero")),
            header_ack_number=dice.choice(("zero", "127", "last", "varying")),
            reply_id=dice.choice(("own", "received")),
            wait_before_ack=dice.random() < 0.2,
            bad_checksum=dice.choice(("nak", "store")),
            number_jump=dice.choice(("store", "nak", "cancel", "ignore")),
            repeated_packet=dice.choice(("acknowledge", "store")),
            idle_limit_ns=dice.choice((0, 30 * MS, 2_000 * MS)),
            partial=dice.choice(("drop", "keep")),
        )
    if dice.random() < 0.1:
        habits = replace(
            habits,
            echo=dice.random() < 0.3,
            active_sensing=dice.random() < 0.3,
            clock_bpm=dice.choice((0, 120)),
            answers=dice.random() < 0.7,
        )
    memory = profile.memory
    if dice.random() < 0.2:
        memory = replace(memory, bank_words=dice.randrange(100, 9_000), block_words=1)
        memory = replace(memory, room=dice.choice(("at header", "as it fills")))
    try:
        return replace(profile, input=traits, habits=habits, memory=memory)
    except ProfileError:  # habits that do not go together
        return profile


def _at_fault(profile: Profile, dice: random.Random) -> Profile:
    """The unit, perhaps with memory at fault."""
    faults = (dice.choice(_AT_FAULT),) if dice.random() < 0.2 else ()
    return replace(profile, memory=replace(profile.memory, faults=faults))


_AT_FAULT = (
    *("data line 3 of bank 1 loose", "address line 4 of bank 1 stuck", "bank 1 half the size"),
    *("bank 1 missing, reads the last word", "noise in 1 of 30 reads"),
    *("90 slow cells among the first 300 words", "90 coupled cells among the first 300 words"),
    *("90 leaky cells after 400 ms among the first 300 words", "bank 1 forgets without power"),
)


def _damaged(dice: random.Random, packets: list[bytes]) -> list[bytes]:
    """Packets some of which are not what they should be."""
    for _ in range(dice.choice((1, 1, 2, 5))):
        at = dice.randrange(len(packets))
        damage = dice.randrange(6)
        if damage == 0:
            body = bytearray(packets[at])
            body[dice.randrange(len(body))] ^= 1 << dice.randrange(8)
            packets[at] = bytes(body)
        elif damage == 1:
            packets[at] = packets[at][: dice.randrange(1, len(packets[at]) + 1)]
        elif damage == 2 and len(packets) > 1:
            del packets[at]
        elif damage == 3:
            packets.insert(at, packets[at])
        elif damage == 4:
            other = dice.randrange(len(packets))
            packets[at], packets[other] = packets[other], packets[at]
        else:
            packets.append(packets[at])
    return packets


def _faults(dice: random.Random, packets: int) -> Iterator[Disturbance]:
    for _ in range(dice.choice((1, 2))):
        where: dict[str, Any] = {
            "direction": dice.choice((TO, FROM)),
            "message": dice.randrange(packets + 1),
        }
        match dice.randrange(5):
            case 0:
                yield flip_bit(**where, byte=dice.randrange(6), bit=dice.randrange(7))
            case 1:
                yield lose_byte(**where, byte=dice.randrange(6))
            case 2:
                yield lose_message(**where)
            case 3:
                yield repeat_message(**where)
            case _:
                yield delay_message(**where, by_ns=dice.randrange(60 * MS))


# Rehearsals


class Desk:
    """One case on a line; `told` are all events, `looks` what each look saw."""

    def __init__(self, case: Case, *, leaps: bool, stop_at: int | None) -> None:
        self.case = case
        self.told: list[tuple[str, Event]] = []
        self.unit = RackUnit(case.profile)
        if not self.unit.memory.initialised:
            self.unit.panel.initialise(0)
        self.line = SimulatedLine(
            self.unit,
            disturbances=case.disturbances,
            link=case.link,
            listener=lambda way, events: self.told.extend((way.value, each) for each in events),
            leaps=leaps,
        )
        self.sender = Sender(case.dump, switches=case.switches, limits=case.limits)
        self.requester: Requester | None = None
        self.stopped_at: int | None = None
        self.states: list[object] = []
        for hand in case.hands:
            self.line.at(hand.at_ns, self._done_by(hand.what))
        self._send(stop_at)
        self.states.append(state_of(self))
        if case.read_back:
            self._read()
            self.states.append(state_of(self))

    def _done_by(self, what: str) -> Callable[[int], object]:
        panel = self.unit.panel
        return {
            "stop": self._stop,
            "off": panel.power_off,
            "interrupt": panel.interrupt,
            "look": lambda _: self.states.append(state_of(self)),
            "deaf": lambda _: setattr(panel, "receive_exclusive", not panel.receive_exclusive),
        }[what]

    def _stop(self, now_ns: int) -> None:
        (self.requester or self.sender).stop(now_ns)

    def _send(self, stop_at: int | None) -> None:
        sender, line = self.sender, self.line

        def wants_stop() -> bool:
            return stop_at is not None and (sender.packet or 0) >= stop_at

        line.connect(sender)
        sender.start(line.now_ns)
        self._run(lambda: sender.end is not None or wants_stop())
        if sender.end is None and wants_stop():
            self.stopped_at = sender.packet or 0
            self.states.append(state_of(self))
            sender.stop(line.now_ns)
            line.run(lambda: True)

    def _read(self) -> None:
        self.requester = requester = Requester(
            device_id=self.case.device_id,
            sample_number=self.case.number,
            enough=self.case.enough,
        )
        self.line.connect(requester)
        requester.start(self.line.now_ns)
        self._run(lambda: requester.is_over)
        self.line.run(lambda: True)

    def _run(self, is_over: Callable[[], bool]) -> None:
        end_ns = self.line.now_ns + 40 * SLICE_NS
        while self.line.now_ns < end_ns:
            until_ns = self.line.now_ns + self.case.slice_ns
            if self.line.run(is_over, until_ns=until_ns) or self.line.now_ns < until_ns:
                return


def state_of(desk: Desk) -> object:
    """Everything that a rehearsal holds by now, as plain values."""
    return (
        desk.line.now_ns,
        list(desk.line.capture.passages),
        list(desk.told),
        plain([desk.line, desk.unit, desk.sender, desk.requester], {}),
    )


_ASIDE = {
    *("_leaps", "_rest", "_next_rest"),  # the switch itself, and when it is tried again
    *("packets", "answers", "capture"),  # what is compared apart, or is an endpoint once more
    *("_table", "_rows", "_cues", "_outgoing"),  # what never changes
    "_actions",  # whose functions are each desk's own
    "_offset",  # how much a splitter has seen: no endpoint asks
    *("version", "last_look"),  # how often something was written, and what was seen then
}


_VALUES = (Enum, DataPacket, Passage, Event, Profile, *get_args(Message))


def plain(thing: Any, met: dict[int, int]) -> Any:
    """Return a thing with all its fields as lists and values, each object that changes once."""
    if isinstance(thing, Piece):
        return plain(tuple(thing.moved(-thing.offset)), met)
    if isinstance(thing, list | tuple | deque):
        return [plain(each, met) for each in thing] if any(map(_changes, thing)) else list(thing)
    if isinstance(thing, dict):
        return [(key, plain(value, met)) for key, value in thing.items()]
    if not _changes(thing):
        return bytes(thing) if isinstance(thing, np.ndarray | bytearray) else thing
    if id(thing) in met:
        return met[id(thing)]
    met[id(thing)] = len(met)
    names = [*getattr(thing, "__dict__", ())]
    for kind in type(thing).__mro__:
        names += getattr(kind, "__slots__", ())
    return [
        (name, plain(getattr(thing, name), met))
        for name in names
        if name not in _ASIDE and hasattr(thing, name) and not callable(getattr(thing, name))
    ]


def _changes(thing: Any) -> bool:
    """Whether a thing is not to be compared as it is: it can change, or holds one that can."""
    if isinstance(thing, list | tuple | deque | dict):
        return True
    return type(thing).__module__.startswith("dryload.emulator.") and not isinstance(thing, _VALUES)


def differences(case: Case, stop_at: int | None = None) -> list[str]:
    """Return what is different in a rehearsal with leaps."""
    leapt = Desk(case, leaps=True, stop_at=stop_at)
    # With leaps a look comes seldom: what it sees then has to be what it would have seen.
    looped = Desk(case, leaps=False, stop_at=leapt.stopped_at)
    if leapt.stopped_at is None and stop_at is not None:
        looped = Desk(case, leaps=False, stop_at=None)
    found = []
    if len(leapt.states) != len(looped.states):
        found.append(f"{len(leapt.states)} looks for {len(looped.states)}")
    for ours, truth in zip(leapt.states, looped.states, strict=False):
        for name, one, other in zip(("time", "capture", "events", "state"), ours, truth):  # type: ignore[call-overload]  # noqa: B905
            if one != other:
                found.append(f"{name}: {_first(one, other)}")
    return found


def _first(one: Any, other: Any, where: str = "") -> str:
    """Return the first place at which two things differ."""
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        for at, (mine, yours) in enumerate(zip(one, other, strict=False)):
            if mine != yours:
                name = mine[0] if isinstance(mine, tuple) and isinstance(mine[0], str) else at
                return _first(mine, yours, f"{where}/{name}")
        return f"{where}: {len(one)} for {len(other)}"
    return f"{where}: {str(one)[:80]} for {str(other)[:80]}"


def stop_of(seed: int, number: int) -> int | None:
    """Return the packet at which the user stops, None for never."""
    dice = random.Random(f"stop {seed} {number}")
    return dice.randrange(300) if dice.random() < 0.25 else None


# Checks


@pytest.fixture
def leapt(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Count the packets of all leaps."""
    counts: list[int] = []
    monkeypatch.setattr(simulate, "leap", _counting(counts))
    return counts


def _counting(counts: list[int]) -> Callable[..., leaping.Leap | None]:
    def counting(*args: Any, **kwargs: Any) -> leaping.Leap | None:
        found = leaping.leap(*args, **kwargs)
        if found is not None:
            counts.append(len(found.passages) // 2)
        return found

    return counting


def test_leaps_come_out_as_the_event_loop(leapt: list[int]) -> None:
    for number in range(RUNS):
        found = differences(case_of(1, number), stop_of(1, number))
        assert not found, f"case {number}: {found[0]}"
    assert sum(leapt) > 20 * RUNS  # that they are made at all


def _spoilt(found: leaping.Leap, how: str) -> leaping.Leap:
    passages = list(found.passages)
    match how:
        case "an instant":
            passages[6] = passages[6]._replace(end_ns=passages[6].end_ns + BYTE_NS)
        case "an ACK":
            del passages[7]
        case "another packet":
            passages[4] = passages[4]._replace(data=passages[6].data)
        case "an event":
            return found._replace(events=found.events[1:])
        case "the end":
            return found._replace(by_ns=found.by_ns + BYTE_NS)
    return found._replace(passages=passages)


@pytest.mark.parametrize("how", ["an instant", "an ACK", "another packet", "an event", "the end"])
def test_a_leap_that_comes_out_otherwise_is_noticed(
    how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def spoilt(*args: Any, **kwargs: Any) -> leaping.Leap | None:
        found = leaping.leap(*args, **kwargs)
        return found if found is None else _spoilt(found, how)

    monkeypatch.setattr(simulate, "leap", spoilt)
    assert any(differences(case_of(1, number)) for number in range(RUNS))


@pytest.mark.parametrize("how", ["a packet is not stored", "a byte early", "an answer not counted"])
def test_an_end_that_is_not_as_far_as_the_line_is_noticed(
    how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken, answered = Receiver.skip_taken, ReplyMatcher.skip

    def skip_taken(self: Receiver, packets: Sequence[bytes], last_ns: int) -> None:
        if how == "a packet is not stored":
            packets = [*packets[:-2], packets[-1]]
        taken(self, packets, last_ns - BYTE_NS * (how == "a byte early"))

    def skip(self: ReplyMatcher, count: int, *numbers: int, **instants: int) -> None:
        answered(self, count, *numbers, **instants)
        self._in_a_row -= how == "an answer not counted"

    monkeypatch.setattr(Receiver, "skip_taken", skip_taken)
    monkeypatch.setattr(ReplyMatcher, "skip", skip)
    assert any(differences(case_of(1, number)) for number in range(RUNS))


def main(arguments: list[str]) -> int:
    """Compare as many random rehearsals as asked for; exit code 1 where one differs."""
    parser = argparse.ArgumentParser(prog="python -m tests.line.test_leap")
    parser.add_argument("--runs", type=int, default=5_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, help="one case, with all that differs")
    asked = parser.parse_args(arguments)
    counts: list[int] = []
    setattr(simulate, "leap", _counting(counts))  # noqa: B010  # that is how a test does it
    different = 0
    numbers = range(asked.runs) if asked.only is None else [asked.only]
    for number in numbers:
        found = differences(case_of(asked.seed, number), stop_of(asked.seed, number))
        different += bool(found)
        for each in found if asked.only is not None else found[:1]:
            print(f"case {number}: {each}")
    print(f"{len(numbers)} rehearsals, {sum(counts):,} packets leapt, {different} different")
    return 1 if different else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
