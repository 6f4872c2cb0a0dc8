"""Whole transfers over a line that suffers, beside a dict from slots to words.

A sender, the cable with random disturbances and a unit do what they do; the dict knows only what
must come of it: what was acknowledged from header to end is what was sent, nothing else is touched,
the memory adds up, and every run ends.
"""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)
from msgspec.structs import replace

from dryload.emulator.dump.events import Event, EventKind
from dryload.emulator.dump.sender import SenderEnd
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.unit.memory import Holding
from tests import oracle
from tests.edits import (
    add_byte,
    cut,
    cut_line,
    delay_message,
    flip_bit,
    lose_byte,
    lose_message,
    repeat_message,
    repeated,
)
from tests.line.players import FROM, TO
from tests.unit.desk import Desk, noise, sample_of, words_of

SECOND = 1_000_000_000
SLOTS = 4
UNIT = """
[memory]
bank_words = 160
places = 2
fitted = [1, 2]
block_words = {block}
contiguous = {contiguous}
room = "{room}"
battery = {battery}
[slots]
count = 4
replace = "{replace}"
[words]
accepts = [8, 12, 14, 16, 21, 24, 28]
[input]
buffer_bytes = {buffer}
store_packet_ms = {packet_ms}
store_header_ms = {header_ms}
[panel]
confirm = "{confirm}"
unconfirmed = "{unconfirmed}"
[habits]
partial = "{partial}"
wait_before_ack = {wait}
number_jump = "{jump}"
active_sensing = {sensing}
"""
TRUTH = st.sampled_from(["true", "false"])
SLOT = st.integers(1, SLOTS)
COUNT = st.integers(0, 200)
BITS = st.sampled_from([8, 12, 14, 16, 21, 24, 28])


def struck_at(direction: object, first: int) -> st.SearchStrategy[Disturbance]:
    """One disturbance of a message of one direction, from the `first` on."""
    where = {"direction": st.just(direction), "message": st.integers(first, first + 6)}
    place = st.integers(0, 127)
    value = st.sampled_from([0xF0, 0xF7, 0xF8, 0x90]) | st.integers(0, 255)
    return st.one_of(
        st.builds(flip_bit, **where, byte=place, bit=st.integers(0, 7)),
        st.builds(flip_bit, **where, byte=place, bit=st.integers(0, 7)),
        st.builds(lose_byte, **where, byte=place),
        st.builds(add_byte, **where, byte=place, value=value),
        st.builds(lose_message, **where),
        st.builds(repeat_message, **where),
        st.builds(delay_message, **where, by_ns=st.integers(0, 60_000_000)),
    )


def one_a_message(disturbances: list[Disturbance]) -> bool:
    """Two bits turned over in one column are beyond any checksum (M1 p. 39): not here."""
    places = [each.where.first for each in disturbances if each.effect is not cut]
    return len(places) == len(set(places))


TO_PACKETS = st.lists(struck_at(TO, 1), min_size=1, max_size=3).filter(one_a_message)
CUT = st.builds(cut_line, direction=st.sampled_from([TO, FROM]), at_ns=st.integers(0, 3 * SECOND))
ANYWHERE = st.lists(struck_at(TO, 0) | struck_at(FROM, 0) | CUT, min_size=1, max_size=4)


class TransfersBesideADict(RuleBasedStateMachine):
    """`held` maps a slot to the words in it; `seed` makes every sample another."""

    @initialize(
        block=st.sampled_from([1, 16]),
        contiguous=TRUTH,
        room=st.sampled_from(["at header", "as it fills"]),
        battery=TRUTH,
        replace=st.sampled_from(["at once", "when whole"]),
        buffer=st.sampled_from([128, 4096]),
        packet_ms=st.sampled_from([0, 2, 15, 45]),
        header_ms=st.sampled_from([0, 5, 300]),
        confirm=st.sampled_from(["never", "never", "each dump"]),
        unconfirmed=st.sampled_from(["wait", "cancel", "ignore"]),
        partial=st.sampled_from(["drop", "keep"]),
        wait=TRUTH,
        jump=st.sampled_from(["store", "nak", "cancel"]),
        sensing=st.sampled_from(["false", "false", "true"]),
    )
    def build(self, **choices: str) -> None:
        self.choices = choices
        self.desk = Desk(UNIT.format(**choices))
        self.unit = self.desk.unit
        self.held: dict[int, list[int]] = {}
        self.seed = 0

    # what can be done

    @rule(slot=SLOT, count=COUNT, bits=BITS)
    def send(self, slot: int, count: int, bits: int) -> None:
        """An undisturbed transfer is acknowledged, or refused for a reason."""
        self.confirm()
        fits = self.fits(slot, count)
        words, answered = self.transfer(slot, count, bits, [])
        if self.is_in_time or not count:
            assert answered == fits
        if fits:
            assert self.desk.words_in(slot) == words
            self.held[slot] = words
        elif self.choices["room"] == "as it fills":
            self.learn(slot)

    @rule(slot=SLOT, count=COUNT, bits=BITS, disturbances=TO_PACKETS)
    def send_with_struck_packets(
        self, slot: int, count: int, bits: int, disturbances: list[Disturbance]
    ) -> None:
        """Header and replies are undisturbed: what is acknowledged is there, word by word."""
        if self.choices["wait"] == "true":
            # The answer to a packet that came twice may then be taken for that to the next: during
            # WAIT a sender takes any number, since units number their answers as they like.
            disturbances = [each for each in disturbances if each.effect is not repeated]
        self.confirm()
        words, answered = self.transfer(slot, count, bits, disturbances)
        if answered:
            self.held[slot] = words
        else:
            self.learn(slot)

    @rule(slot=SLOT, count=COUNT, bits=BITS, disturbances=ANYWHERE)
    def send_over_a_bad_line(
        self, slot: int, count: int, bits: int, disturbances: list[Disturbance]
    ) -> None:
        """Anything may come of it, but in one slot only."""
        self.confirm()
        self.unit.keeper.receipt = None
        self.transfer(slot, count, bits, disturbances)
        before, self.held = self.held, self.seen()
        changed = {key for key in (*before, *self.held) if before.get(key) != self.held.get(key)}
        struck = any(e.where.first == 0 for e in disturbances)  # a cut line too
        assert len(changed) <= 1
        assert struck or changed <= {slot}

    @rule(
        slot=SLOT,
        count=st.integers(41, 200),
        at_ms=st.integers(0, 500),
        deed=st.sampled_from(["initialise", "power", "delete", "confirm"]),
    )
    def send_and_be_interrupted(self, slot: int, count: int, at_ms: int, deed: str) -> None:
        self.confirm()
        self.transfer(slot, count, 16, [], hand=(at_ms * 1_000_000, deed))
        self.held = self.seen()

    @rule(slot=SLOT)
    def read(self, slot: int) -> None:
        """What is asked for is what the dict says, or nothing."""
        self.new_line([])
        requester = self.desk.read(slot - 1)
        assert words_of(requester) == self.held.get(slot)

    @rule(slot=SLOT)
    def delete(self, slot: int) -> None:
        assert self.unit.panel.delete(slot, self.desk.now_ns) == (slot in self.held)
        self.held.pop(slot, None)

    @rule()
    def initialise(self) -> None:
        self.unit.panel.initialise(self.desk.now_ns)
        self.held.clear()

    @rule()
    def cut_the_power(self) -> None:
        self.press("power", self.desk.now_ns)
        if self.choices["battery"] == "false":
            self.held.clear()

    @precondition(lambda self: self.unit.panel.awaiting_confirm is not None)
    @rule(slot=SLOT, late=st.booleans())
    def send_unconfirmed(self, slot: int, late: bool) -> None:
        """A dump before the last one was confirmed: held and then let in, refused, or not seen."""
        fits = self.fits(slot, 60)
        hand = (9 * SECOND, "confirm") if late else None
        words, answered = self.transfer(slot, 60, 16, [], hand=hand)
        goes_in = late and fits and self.choices["unconfirmed"] == "wait"
        if self.is_in_time or not goes_in:
            assert answered == goes_in
        if goes_in:
            self.held[slot] = words
        elif self.choices["room"] == "as it fills":
            self.learn(slot)

    # what must hold

    @invariant()
    def slots_hold_what_the_dict_says(self) -> None:
        assert self.seen() == self.held

    @invariant()
    def the_memory_adds_up(self) -> None:
        memory = self.unit.memory
        assert memory.used + memory.total_free == memory.capacity == 320
        assert memory.used == sum(slot.holding.words for slot in self.unit.slots)
        for slot in self.unit.slots:
            block = int(self.choices["block"])
            count = len(self.held.get(slot.number, ()))
            assert slot.holding.words == -(-count // block) * block
        ends = 0
        for stretch in memory.stretches():
            assert stretch.region.start == ends
            ends = stretch.region.end
        assert ends == 320

    @invariant()
    def nothing_is_going_on(self) -> None:
        assert not self.unit.is_receiving
        assert not self.unit.is_sending

    # how it is done

    @property
    def is_in_time(self) -> bool:
        """Whether answers come within the 20 ms of the standard, or WAIT does (M1 p. 39)."""
        return self.choices["wait"] == "true" or int(self.choices["packet_ms"]) < 18

    def transfer(
        self,
        slot: int,
        count: int,
        bits: int,
        disturbances: Sequence[Disturbance],
        *,
        hand: tuple[int, str] | None = None,
    ) -> tuple[list[int], bool]:
        """Send new words; return them and whether header and all packets were acknowledged.

        `hand` is what somebody does at the panel, and how long after the start.
        """
        self.seed += 1
        words = noise(count, bits, self.seed)
        self.new_line(disturbances)
        if hand is not None:
            after_ns, deed = hand
            self.desk.line.at(self.desk.now_ns + after_ns, lambda now_ns: self.press(deed, now_ns))
        sender = self.desk.start(sample_of(words, bits=bits), slot - 1)
        patience_ns = self.desk.now_ns + 60 * SECOND
        if not self.desk.line.run(lambda: sender.end is not None, until_ns=patience_ns):
            # A unit that asked to wait may have been lost on the way: somebody gives up.
            assert EventKind.HELD in [event.kind for event in self.desk.host_events]
            sender.stop(self.desk.now_ns)
            assert self.desk.line.run(lambda: True, until_ns=patience_ns + SECOND)
        self.desk.line.advance(10 * SECOND)
        answered = [e.packet for e in self.desk.host_events if e.kind is EventKind.ANSWERED]
        packets = oracle.packet_count(count, bits)
        is_acknowledged = answered == [None, *range(packets)]
        return words, is_acknowledged and sender.end is SenderEnd.SENT

    def new_line(self, disturbances: Sequence[Disturbance]) -> None:
        """A new cable to the same unit, at the same time; instants of a cut count from now."""
        now_ns = self.desk.now_ns
        moved = [
            replace(each, settings={"cut_ns": each.settings["cut_ns"] + now_ns})
            if each.effect is cut
            else each
            for each in disturbances
        ]
        host_events: list[Event] = []
        desk = self.desk

        def hear(direction: object, events: Sequence[Event]) -> None:
            if direction is TO:
                host_events.extend(events)

        desk.host_events = host_events
        desk.line = SimulatedLine(desk.unit, disturbances=moved, listener=hear)
        desk.line.now_ns = now_ns

    def fits(self, slot: int, count: int) -> bool:
        memory = self.unit.memory
        at_once = self.choices["replace"] == "at once"
        instead = self.unit.slots[slot].holding if at_once else Holding(())
        block = int(self.choices["block"])
        return -(-count // block) * block <= memory.room(instead_of=instead)

    def confirm(self) -> None:
        self.unit.confirm(self.desk.now_ns)

    def press(self, deed: str, now_ns: int) -> None:
        panel = self.unit.panel
        if deed == "initialise":
            panel.initialise(now_ns)
        elif deed == "delete":
            panel.delete(1, now_ns)
        elif deed == "confirm":
            self.unit.confirm(now_ns)
        else:
            panel.power_off(now_ns)
            panel.power_on(now_ns)

    def learn(self, slot: int) -> None:
        words = self.desk.words_in(slot)
        self.held.pop(slot, None)
        if words is not None:
            self.held[slot] = words

    def seen(self) -> dict[int, list[int]]:
        numbers = range(1, SLOTS + 1)
        words = {number: self.desk.words_in(number) for number in numbers}
        return {number: found for number, found in words.items() if found is not None}


TransfersBesideADict.TestCase.settings = settings(
    max_examples=150, stateful_step_count=25, deadline=None, derandomize=True
)
TestTransfersBesideADict = TransfersBesideADict.TestCase
