"""A profile: all sections together, refused where no such unit can exist."""

from collections.abc import Iterator, Sequence

from msgspec import Struct, field

from dryload.emulator.dump.switches import SenderSwitches
from dryload.emulator.unit.memory import banks_in_a_row
from dryload.emulator.unit.memory_faults import (
    impossible,
    kept_widths,
    layout_of,
    memory_fault,
    word_width,
)
from dryload.emulator.unit.traits import (
    Habits,
    IdentityTraits,
    InputTraits,
    KnownMessages,
    MemoryTraits,
    PanelTraits,
    SlotTraits,
    UnitTraits,
    WordTraits,
)
from dryload.emulator.wire.constants import MAX_BITS, MAX_CHANNELS, MAX_SAMPLE_NUMBER, MIN_BITS
from dryload.emulator.wire.prose import listed


class ProfileError(ValueError):
    """A profile that can't be used; the message is complete for whoever wrote it."""


class Profile(Struct, frozen=True, kw_only=True):
    """A unit; ProfileError with one line a reason where no such unit can exist."""

    unit: UnitTraits
    identity: IdentityTraits = field(default_factory=IdentityTraits)
    knows: KnownMessages = field(default_factory=KnownMessages)
    memory: MemoryTraits = field(default_factory=MemoryTraits)
    slots: SlotTraits = field(default_factory=SlotTraits)
    words: WordTraits = field(default_factory=WordTraits)
    input: InputTraits = field(default_factory=InputTraits)
    panel: PanelTraits = field(default_factory=PanelTraits)
    habits: Habits = field(default_factory=Habits)
    sending: SenderSwitches = field(default_factory=SenderSwitches)
    """How it acts as the sender of a dump that was requested from it."""

    def __post_init__(self) -> None:
        """Refuse a unit that can't exist."""
        if reasons := tuple(_impossible(self)):
            raise ProfileError("\n".join(reasons))

    @property
    def name(self) -> str:
        """The unit's name."""
        return self.unit.name


def _impossible(profile: Profile) -> Iterator[str]:
    yield from _impossible_identity(profile.identity)
    yield from _impossible_memory(profile.memory)
    yield from _impossible_slots(profile.slots)
    yield from _impossible_words(profile)
    yield from _impossible_cells(profile)
    yield from _impossible_input(profile)
    yield from _impossible_answers(profile)


def _impossible_identity(identity: IdentityTraits) -> Iterator[str]:
    maker = identity.maker
    if len(maker) not in (1, 3) or (maker[0] == 0) != (len(maker) == 3):
        yield (
            "identity.maker must be one number from 1 to 127, or three of which the first is 0, "
            f"not {list(maker)}"
        )
    if len(identity.revision) != 4:
        yield f"identity.revision must be four numbers, not {len(identity.revision)}"


def _impossible_memory(memory: MemoryTraits) -> Iterator[str]:
    yield from _listed_twice("memory.fitted", memory.fitted)
    if not memory.fitted:
        yield "memory.fitted is empty: a unit without memory holds no sample; fit bank 1"
    elif 1 not in memory.fitted:
        yield (
            f"memory.fitted has bank {min(memory.fitted)} and no bank 1: without bank 1 "
            "the others are of no use"
        )
    for bank in memory.fitted:
        if bank > memory.places:
            yield (
                f"memory.fitted has bank {bank}, but memory.places says that the unit has room "
                f"for {memory.places}"
            )
    if memory.bank_words % memory.block_words:
        yield (
            f"memory.block_words must divide memory.bank_words ({memory.bank_words:,}) "
            f"without a rest, and {memory.block_words:,} does not"
        )
    if memory.start_word % memory.block_words:
        yield (
            f"memory.start_word must be a multiple of memory.block_words ({memory.block_words:,}), "
            f"and {memory.start_word:,} is not"
        )
    if memory.start_word >= memory.bank_words:
        yield (
            f"memory.start_word must be less than memory.bank_words ({memory.bank_words:,}), "
            f"not {memory.start_word:,}"
        )


def _impossible_cells(profile: Profile) -> Iterator[str]:
    memory, words = profile.memory, profile.words
    banks = banks_in_a_row(memory.fitted)
    widest, width = max(kept_widths(words), default=0), word_width(memory, words)
    if widest > width:
        yield f'memory.cells is "twelve bits", and words.accepts has {widest}'
    if memory.arrangement == "side by side":
        if memory.cells != "words":
            yield 'memory.cells must be "words" where memory.arrangement is "side by side"'
        if memory.places > width:
            yield (
                f"memory.places must be at most {width} side by side, one for each bit of a word, "
                f"not {memory.places}"
            )
    if not banks:
        return
    for text in memory.faults:
        try:
            wrong = impossible(memory_fault(text), layout_of(memory, words, banks))
        except ValueError as problem:
            wrong = str(problem)
        if wrong:
            yield f'memory.faults has "{text}": {wrong}'


def _impossible_slots(slots: SlotTraits) -> Iterator[str]:
    yield from _listed_twice("slots.protected", slots.protected)
    for slot in slots.protected:
        if slot > slots.count:
            yield f"slots.protected has slot {slot}; slots.count says 1 to {slots.count}"
    last = slots.first_number + slots.count - 1
    if last > MAX_SAMPLE_NUMBER:
        yield (
            f"slots.first_number {slots.first_number} and slots.count {slots.count} make {last} "
            f"the last sample number; a header can say {MAX_SAMPLE_NUMBER} at most (HDR-02)"
        )


def _impossible_words(profile: Profile) -> Iterator[str]:
    words = profile.words
    yield from _listed_twice("words.accepts", words.accepts)
    yield from _listed_twice("words.channels", words.channels)
    if not words.accepts:
        yield f"words.accepts is empty: name at least one width from {MIN_BITS} to {MAX_BITS}"
    if words.others != "refuse" and words.accepts and words.others_to not in words.accepts:
        yield (
            f"words.others_to must be one of words.accepts ({listed(words.accepts)}) "
            f'when words.others is "{words.others}", not {words.others_to}'
        )
    if not words.channels:
        yield f"words.channels is empty: name at least one number from 1 to {MAX_CHANNELS}"
    elif max(words.channels) > 1 and not profile.knows.extended:
        yield (
            f"words.channels has {max(words.channels)}, but knows.extended is false, and only "
            "an extended header can announce more than one channel (HDR-14)"
        )


def _impossible_input(profile: Profile) -> Iterator[str]:
    needed, kind = (34, "an extended") if profile.knows.extended else (21, "a")
    if profile.input.buffer_bytes < needed:
        yield (
            f"input.buffer_bytes must be at least {needed}, the length of {kind} dump header, "
            f"not {profile.input.buffer_bytes}"
        )
    if profile.input.drop_every_byte == 1:
        yield "input.drop_every_byte is 1, which loses everything: write 0 for none, or 2 and up"


def _impossible_answers(profile: Profile) -> Iterator[str]:
    if profile.habits.answers:
        return
    if profile.habits.wait_before_ack:
        yield (
            "habits.wait_before_ack is true, but habits.answers is false: a unit that never "
            "answers sends no WAIT"
        )
    if profile.panel.confirm != "never" and profile.panel.unconfirmed != "ignore":
        yield (
            f'panel.unconfirmed must be "ignore", not "{profile.panel.unconfirmed}", when '
            "habits.answers is false"
        )


def _listed_twice(key: str, values: Sequence[int]) -> Iterator[str]:
    for value in sorted({value for value in values if values.count(value) > 1}):
        yield f"{key} has {value} twice"
