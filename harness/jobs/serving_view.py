"""What a front panel shows of a unit that is being served: plain values, taken at one instant."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from emulator.ports.lateness import Lateness
from emulator.unit.board import RackUnit


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One thing that happened, as a short line for people."""

    time_ns: int
    """Since serving began."""
    event: str
    """As in the lines for programs: "loaded", "refused", "late" and so on."""
    text: str
    facts: Mapping[str, object] = field(default_factory=dict)
    """The same as numbers and words, for programs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsedSlot:
    """A slot that holds a sample."""

    number: int
    """As the panel counts, from 1."""
    sample_number: int
    """What the wire says for it."""
    name: str
    words: int
    """All channels together."""
    bits: int
    channels: int
    rate: float
    """Words a second of one channel."""
    is_protected: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MapPiece:
    """A piece of the memory, from word `start` on."""

    start: int
    words: int
    kind: Literal["free", "sample", "arriving"]
    slot: int | None
    """Whose sample it is; None for what is free or still arriving."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Coming:
    """The dump that is arriving, or the one that is being sent."""

    sample_number: int
    packets: int
    """Stored, or sent, so far."""
    expected: int | None
    """Packets that the header announced, None where that is not known."""


class Passed(NamedTuple):
    """Bytes that passed on the line."""

    end_ns: int
    """By the clock of the line."""
    to_unit: bool
    data: bytes
    """The first of them."""
    length: int
    """How many they were."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """The unit and the line to it."""

    profile: str
    port: str
    """As in "tcp:127.0.0.1:4000" or "midi:Lantern Desk"."""
    time_ns: int
    """Since serving began."""
    powered: bool
    display: str
    """What the unit's own display says, "" when it is off."""
    state: str
    """What it does now, in plain words: "idle", "receiving sample 3" and so on."""
    device_id: int
    receives_exclusive: bool
    """The receive filter: False keeps System Exclusive out."""
    awaiting_confirm: int | None
    """The slot whose dump nobody has confirmed yet."""
    initialised: bool
    slot_count: int
    slots: tuple[UsedSlot, ...]
    bank_words: int
    """Words of one bank: a boundary lies at every multiple of it."""
    bank_places: int
    """How many banks could be fitted."""
    banks_fitted: tuple[int, ...]
    """Places with a bank in them, from 1."""
    capacity: int
    """Words that are laid out for samples; 0 until the memory is initialised."""
    free: int
    """Words in all holes."""
    largest_free: int
    memory_map: tuple[MapPiece, ...]
    """The memory from word 0 on, without gaps."""
    arriving: Coming | None
    sending: Coming | None
    peer: str | None
    """Who is connected, "" for nobody, None where a port cannot know."""
    turned_away: int
    """Connections that were closed because somebody else was there."""
    worst_late_ns: int
    """How late this program itself was at worst."""
    missed: int
    """Instants that it met too late."""
    lost_bytes: int
    """Bytes thrown away because more came than can be held."""
    image: str
    """The file of the unit's memory, "" for none: then everything is gone at the end."""
    image_written_ns: int | None
    """When it was written last, since serving began; None for not yet."""
    image_problem: str
    """Why it could not be written the last time, "" where it could."""
    notes: tuple[Note, ...]
    """What happened last, the oldest first."""
    passed: tuple[Passed, ...] = ()
    """The last bytes, the oldest first; `end_ns` counts since serving began."""


def used_slots(unit: RackUnit) -> Iterator[UsedSlot]:
    """Yield the slots that hold a sample, by their numbers."""
    for slot in unit.slots.used():
        sample = slot.sample
        assert sample is not None
        yield UsedSlot(
            number=slot.number,
            sample_number=slot.sample_number,
            name=slot.name,
            words=len(sample.words),
            bits=sample.bits,
            channels=sample.channels,
            rate=float(sample.rate),
            is_protected=slot.protected,
        )


def memory_map(unit: RackUnit) -> Iterator[MapPiece]:
    """Yield the memory from word 0 on."""
    owners = {region: slot.number for slot in unit.slots.used() for region in slot.holding.regions}
    for stretch in unit.memory.stretches():
        slot = owners.get(stretch.region)
        taken: Literal["sample", "arriving"] = "arriving" if slot is None else "sample"
        yield MapPiece(
            start=stretch.region.start,
            words=stretch.region.words,
            kind="free" if stretch.is_free else taken,
            slot=slot,
        )


def view_of(
    unit: RackUnit,
    *,
    port: str,
    time_ns: int,
    state: str,
    arriving: Coming | None,
    sending: Coming | None,
    peer: str | None,
    turned_away: int,
    lateness: Lateness,
    image: str,
    image_written_ns: int | None,
    image_problem: str,
    notes: Sequence[Note],
    passed: Sequence[Passed] = (),
    start_ns: int = 0,
) -> View:
    """Return what there is to be seen of `unit` and its line."""
    memory, panel = unit.memory, unit.panel
    return View(
        profile=unit.profile.name,
        port=port,
        time_ns=time_ns,
        powered=panel.powered,
        display=panel.line,
        state=state,
        device_id=panel.device_id,
        receives_exclusive=panel.receive_exclusive,
        awaiting_confirm=panel.awaiting_confirm,
        initialised=memory.initialised,
        slot_count=len(unit.slots),
        slots=tuple(used_slots(unit)),
        bank_words=memory.traits.bank_words,
        bank_places=memory.traits.places,
        banks_fitted=memory.fitted,
        capacity=memory.capacity,
        free=memory.total_free,
        largest_free=memory.largest_free,
        memory_map=tuple(memory_map(unit)),
        arriving=arriving,
        sending=sending,
        peer=peer,
        turned_away=turned_away,
        worst_late_ns=lateness.worst_ns,
        missed=lateness.missed,
        lost_bytes=lateness.lost_bytes,
        image=image,
        image_written_ns=image_written_ns,
        image_problem=image_problem,
        notes=tuple(notes),
        passed=tuple(each._replace(end_ns=each.end_ns - start_ns) for each in passed),
    )
