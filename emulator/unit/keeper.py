"""The keeper of the samples: puts dumps into slots (the storage behind the unit's receiver)."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from msgspec import Struct

from dryload.emulator.dump.sample import Sample
from dryload.emulator.dump.storage import Accept, Decision, Hold, Ignore, Refuse
from dryload.emulator.unit.admission import Plan, memory_reason, plan_for, room_for
from dryload.emulator.unit.conversion import convert_words
from dryload.emulator.unit.memory import NOTHING, Holding, Memory
from dryload.emulator.unit.panel import FrontPanel
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.slots import Slots
from dryload.emulator.wire.constants import PACKET_DATA_BYTES
from dryload.emulator.wire.messages import DataPacket, Header
from dryload.emulator.wire.packets import data_of, join
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.sizes import bytes_per_word, words_per_packet
from dryload.emulator.wire.words import DataBytes, Words, unpack_checked, unpack_words


class Receipt(Struct, frozen=True, kw_only=True):
    """What became of one dump."""

    sample_number: int
    slot: int
    whole: bool
    """Whether the dump came to its end."""
    kept: bool
    """Whether the slot holds it."""
    words: int
    """Words of it that the slot holds."""
    announced: int
    """Words that the header announced, all channels together."""
    changes: tuple[str, ...]
    """What differs from the sample that was sent, or why nothing is kept."""


class Keeper:
    """Takes one dump at a time; calls that belong to no running dump change nothing."""

    def __init__(self, profile: Profile, memory: Memory, slots: Slots, panel: FrontPanel) -> None:
        """Keep dumps in `memory` and `slots`, and let `panel` end them."""
        self.receipt: Receipt | None = None
        """What became of the dump that ended last."""
        self.begun: Header | None = None
        """Of the dump that runs or ran last."""
        self.held: Header | None = None
        """The header that waits for a person to confirm the dump before it."""
        self._profile: Final = profile
        self._memory: Final = memory
        self._slots: Final = slots
        self._panel: Final = panel
        self._plan: Plan | None = None
        self._holding = NOTHING
        self._data = bytearray()
        self._words = 0  # received so far, the last packet's filler too
        self._room = 0  # words that may be received
        self._step = 0  # words a packet
        panel.interrupt = self.interrupt

    @property
    def is_busy(self) -> bool:
        """Whether a dump is running."""
        return self._plan is not None

    def begin(self, header: Header, now_ns: int) -> Decision:
        """Decide about a dump; after Accept its words are taken and the receiver may go on."""
        self.abandon(now_ns)
        decision = self._decide(header)
        self.held = header if isinstance(decision, Hold) else None
        if isinstance(decision, Accept):
            self._panel.show(f"receiving sample {header.sample_number}", now_ns)
        else:
            word = {Refuse: "refused", Hold: "waiting", Ignore: "ignored"}[type(decision)]
            self._panel.show(f"{word}: {decision.reason}", now_ns)
        return decision

    def reconsider(self, now_ns: int) -> Decision | None:
        """Decide anew about the header that is held; None when none is."""
        return None if self.held is None else self.begin(self.held, now_ns)

    def has_room(self, packets: int = 1) -> bool:
        """Whether so many more packets can be stored."""
        plan = self._plan
        if plan is None:
            return False
        return min(self._words + packets * self._step, plan.words) <= self._room

    def append(self, packet: DataPacket, now_ns: int) -> None:
        """Store a packet."""
        if self._plan is not None:
            self._take(packet.data, now_ns)

    def extend(self, packets: Sequence[bytes]) -> None:
        """Store packets, as they are on the wire; when each came must not matter."""
        if self._plan is not None:
            self._take(data_of(join(packets)).tobytes(), 0)

    def finish(self, now_ns: int) -> None:
        """Put the sample, which is whole, into its slot."""
        if self._plan is not None:
            self._end(self._plan, True, now_ns)

    def abandon(self, now_ns: int) -> None:
        """Keep or drop what there is of a dump that will not end."""
        if self._plan is not None:
            self._end(self._plan, False, now_ns)

    def interrupt(self, now_ns: int) -> None:
        """End whatever is going on: somebody is at the memory or at the switch."""
        self.held = None
        self.abandon(now_ns)

    def _decide(self, header: Header) -> Decision:
        if reason := memory_reason(self._memory):
            return Refuse(reason)
        if self._panel.awaiting_confirm is not None:
            return self._unconfirmed(self._panel.awaiting_confirm)
        plan = plan_for(header, self._profile, self._slots)
        if isinstance(plan, str):
            return Refuse(plan)
        holding = room_for(plan, self._profile, self._memory)
        if isinstance(holding, str):
            return Refuse(holding)
        self._open(plan, holding)
        return Accept()

    def _unconfirmed(self, slot: int) -> Decision:
        reason = f"{self._slots[slot].title} has a new sample: confirm it at the front panel"
        again = f"{reason}, and send again"
        answers: dict[str, Decision] = {
            "wait": Hold(reason),
            "ignore": Ignore(again),
            "cancel": Refuse(again),
        }
        return answers[self._profile.panel.unconfirmed]

    def _open(self, plan: Plan, holding: Holding) -> None:
        if self._profile.slots.replace == "at once":
            plan.slot.clear()  # its words went to the new sample
        self._plan = plan
        self.begun = plan.header
        self._holding = holding
        self._data = bytearray()
        self._words = 0
        self._room = min(plan.words, holding.words)
        self._step = words_per_packet(plan.header.bits)

    def _take(self, data: bytes, now_ns: int) -> None:
        plan, cells, first = self._plan, self._memory.cells, self._words
        assert plan is not None
        self._data += data
        self._words += self._step * (len(data) // PACKET_DATA_BYTES)
        if cells is not None:
            words = unpack_words(np.frombuffer(data, np.uint8), plan.header.bits)
            words = self._as_kept(plan, words[: max(self._room - first, 0)])
            cells.write(self._holding.places, first, words, plan.bits, now_ns)

    def _end(self, plan: Plan, whole: bool, now_ns: int) -> None:
        """Keep what is to be kept, give back the rest, and write the receipt."""
        data = np.frombuffer(self._data, np.uint8)
        words, stray_bits = unpack_checked(data, plan.header.bits)
        sample = self._sample(plan, words)
        lost = self._why_refused(plan, data, stray_bits) if whole else self._why_dropped(sample)
        self._plan = None
        self._data = bytearray()
        if lost:
            self._memory.free(self._holding)
        else:
            self._memory.free(plan.slot.clear())
            holding = self._memory.shrink(self._holding, len(sample.words))
            plan.slot.put(sample, holding, is_stored=True)
            if self._profile.panel.confirm == "each dump":
                self._panel.awaiting_confirm = plan.slot.number
        self.receipt = self._receipt(plan, sample, lost, whole)
        self._panel.show(_line(self.receipt, plan), now_ns)

    def _sample(self, plan: Plan, words: Words) -> Sample:
        channels = plan.header.channels
        words = words[: plan.words]
        words = words[: len(words) - len(words) % channels]  # whole frames
        return Sample(
            words=self._as_kept(plan, words),
            bits=plan.bits,
            rate=plan.rate,
            channels=channels,
            sustain=plan.loop,
        )

    def _as_kept(self, plan: Plan, words: Words) -> Words:
        """Return words as they came in the width that is kept."""
        sent, how = plan.header.bits, self._profile.words.others
        if plan.bits == sent or how == "refuse":
            return words
        return convert_words(words, sent, plan.bits, how)

    def _why_dropped(self, sample: Sample) -> str:
        """Return why nothing is kept of a dump that ended early, "" where it is."""
        if len(sample.words) and self._profile.habits.partial == "keep":
            return ""
        end = "ended early" if self.has_room() else "ended because the memory was full"
        return f"the dump {end}, after {counted(self._words, 'word')}"

    def _why_refused(self, plan: Plan, data: DataBytes, stray_bits: bool) -> str:
        """Return why nothing is kept of a dump that is whole, "" where it is."""
        if self._profile.habits.stray_data == "ignore":
            return ""
        header = plan.header
        filler = data[header.length * header.channels * bytes_per_word(header.bits) :]
        if filler.any():
            return "the filler after the last word is not 00 (PKT-08), which the unit refuses"
        if stray_bits:
            return "bits below the significant ones are set (WRD-05), which the unit refuses"
        return ""

    def _receipt(self, plan: Plan, sample: Sample, lost: str, whole: bool) -> Receipt:
        header = plan.header
        announced = header.length * header.channels
        words = 0 if lost else len(sample.words)
        changes = (lost,) if lost else plan.changes
        if not lost and words < announced:
            changes += (f"{words:,} of {announced:,} words came",)
        elif words > announced:
            extra = counted(words - announced, "word")
            changes += (f"{extra} of filler after the last word became part of the sample",)
        return Receipt(
            sample_number=header.sample_number,
            slot=plan.slot.number,
            whole=whole,
            kept=not lost,
            words=words,
            announced=announced,
            changes=changes,
        )


def _line(receipt: Receipt, plan: Plan) -> str:
    """Return what the display says when a dump has ended."""
    if not receipt.kept:
        return f"{plan.slot.title}: nothing kept, {receipt.changes[0]}"
    done = "received" if receipt.whole else "kept"
    return f"{plan.slot.title}: {counted(receipt.words, 'word')} {done}"
