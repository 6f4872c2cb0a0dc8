"""Whether a unit takes a dump, judged from its header, and what becomes of the words if it does.

The reasons are for a musician at the unit: what is wrong, how much, and what to do.
"""

from fractions import Fraction

from msgspec import Struct

from dryload.emulator.dump.outgoing import rate_of
from dryload.emulator.dump.sample import Loop
from dryload.emulator.unit.memory import NOTHING, Holding, Memory, NoRoom, no_memory
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.slots import UNLOOPED, Slot, Slots
from dryload.emulator.wire.constants import MAX_BITS, MIN_BITS
from dryload.emulator.wire.messages import DumpHeader, Header
from dryload.emulator.wire.prose import counted, listed
from dryload.emulator.wire.sizes import packets_for, words_per_packet


class Plan(Struct, frozen=True, kw_only=True):
    """A dump that is welcome: where it goes and what is kept of it."""

    header: Header
    slot: Slot
    rate: Fraction
    bits: int
    """The width that the unit keeps."""
    words: int
    """Words that the whole dump takes of the memory."""
    loop: Loop
    changes: tuple[str, ...]
    """What will differ from the sample that is sent."""


def memory_reason(memory: Memory) -> str:
    """Return why the memory takes no sample at all, "" where it does."""
    if not memory.usable_banks:
        return f"there is no memory, {no_memory(memory)}: fit bank 1, then initialise the memory"
    if not memory.initialised:
        return (
            "the memory is not initialised since its banks were changed: initialise it at the "
            "front panel, which wipes it, and send again"
        )
    return ""


def plan_for(header: Header, profile: Profile, slots: Slots) -> Plan | str:
    """Return the plan for a dump, or why there is none; room for it is another question."""
    slot = slots.addressed(header.sample_number)
    if slot is None:
        return _number_reason(header.sample_number, slots)
    if slot.protected:
        return f"{slot.title} is protected: send the sample to another one, or end the protection"
    if reason := _words_reason(header, profile):
        return reason
    if not _has_rate(header):
        return "the header gives no sample rate: its period or rate is 0 (HDR-04); encode it again"
    bits = _kept_bits(header.bits, profile)
    loop, loop_change = _kept_loop(header, profile)
    return Plan(
        header=header,
        slot=slot,
        rate=rate_of(header),
        bits=bits,
        words=_kept_words(header, profile),
        loop=loop,
        changes=(*_width_change(header.bits, bits, profile), *loop_change),
    )


def room_for(plan: Plan, profile: Profile, memory: Memory) -> Holding | str:
    """Take the words for a plan, or say why they can't be had.

    A unit that notices a full memory only when it is full takes what there is.
    """
    replaced = plan.slot.holding if profile.slots.replace == "at once" else NOTHING
    wanted = plan.words
    if profile.memory.room == "as it fills":
        wanted = min(wanted, memory.room(replaced) or wanted)
    taken = memory.allocate(wanted, instead_of=replaced)
    return taken if isinstance(taken, Holding) else _room_reason(taken, plan, memory)


def _number_reason(sample_number: int, slots: Slots) -> str:
    numbers = slots.sample_numbers
    return (
        f"sample number {sample_number} does not address a slot: the {len(slots)} slots have "
        f"{numbers[0]} to {numbers[-1]}; send the sample under one of those"
    )


def _words_reason(header: Header, profile: Profile) -> str:
    words = profile.words
    if not MIN_BITS <= header.bits <= MAX_BITS:
        return (
            f"the header says {header.bits} significant bits, and the standard has {MIN_BITS} to "
            f"{MAX_BITS} (HDR-03): encode it again"
        )
    if header.bits not in words.accepts and words.others == "refuse":
        return (
            f"the sample has {header.bits} significant bits and the unit takes "
            f"{_widths(words.accepts)}: convert it first"
        )
    if not header.channels:
        return "the header says 0 channels, and a sample has at least 1 (EXT-05): encode it again"
    if header.channels not in words.channels:
        split = ": send each channel by itself" if 1 in words.channels else ""
        return (
            f"the sample has {counted(header.channels, 'channel')} and the unit takes "
            f"{listed(words.channels)}{split}"
        )
    return ""


def _room_reason(no_room: NoRoom, plan: Plan, memory: Memory) -> str:
    wanted, free = no_room.wanted, no_room.total_free
    needs = f"the sample needs {counted(wanted, 'word')} of memory"
    if wanted > no_room.capacity:
        empty = len(memory.fitted) < memory.traits.places
        more = " or fit another bank" if empty else ""
        return f"{needs} and the unit has {no_room.capacity:,} in all: shorten it{more}"
    old = f", those of {plan.slot.title} counted in" if plan.slot.written is not None else ""
    if no_room.fragmented:
        return (
            f"{needs} in one piece: {free:,} words are free in all{old}, but the largest hole "
            f"is {no_room.largest_free:,}; delete a sample between two holes, or initialise the "
            "memory and send everything again"
        )
    return (
        f"{needs} and {free:,} are free{old}: delete a sample, or shorten this one by "
        f"{counted(wanted - free, 'word')}"
    )


def _has_rate(header: Header) -> bool:
    if isinstance(header, DumpHeader):
        return header.period_ns > 0
    return header.rate_hz > 0 or header.rate_fraction > 0


def _kept_bits(bits: int, profile: Profile) -> int:
    return bits if bits in profile.words.accepts else profile.words.others_to


def _kept_words(header: Header, profile: Profile) -> int:
    words = header.length * header.channels  # EXT-06, CA-019 p. 3
    if profile.habits.filler == "keep":
        sent = packets_for(words, header.bits) * words_per_packet(header.bits)
        return sent - sent % header.channels
    return words


def _kept_loop(header: Header, profile: Profile) -> tuple[Loop, tuple[str, ...]]:
    loop = Loop(start=header.loop_start, end=header.loop_end, loop_type=header.loop_type)
    if profile.habits.loop_end == "inclusive" or loop.loop_type in UNLOOPED or not loop.end:
        return loop, ()
    shorter = Loop(start=loop.start, end=loop.end - 1, loop_type=loop.loop_type)
    change = f"the loop ends at word {shorter.end}: the unit does not play the loop end {loop.end}"
    return shorter, (change,)


def _width_change(sent: int, kept: int, profile: Profile) -> tuple[str, ...]:
    if sent == kept:
        return ()
    if kept > sent:
        return (f"{sent} bit words are kept as {kept} bit; nothing is lost",)
    how = {"cut": "cut", "round": "rounded"}[profile.words.others]
    return (f"{sent} bit words are {how} to {kept} bit: the low {_bits(sent - kept)} gone",)


def _widths(accepts: tuple[int, ...]) -> str:
    if len(accepts) > 2 and accepts == tuple(range(accepts[0], accepts[-1] + 1)):
        return f"{accepts[0]} to {accepts[-1]}"
    return listed(accepts)


def _bits(count: int) -> str:
    return "bit is" if count == 1 else f"{count} bits are"
