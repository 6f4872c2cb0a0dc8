"""The plan of an evening: which samples go into a unit, in which order, and what comes of it."""

from fractions import Fraction

from msgspec import Struct

from dryload.emulator.dump.sample import Loop
from dryload.emulator.unit.memory import Region
from dryload.emulator.unit.panel import MapLine
from dryload.emulator.unit.possible import Profile
from dryload.harness.plan.change import Change, Offer
from dryload.harness.plan.keys import Keys
from dryload.harness.plan.pause import Amount


class PlannedSample(Struct, frozen=True, kw_only=True):
    """A sample as the unit will hold it, and how it gets there."""

    file: str
    dump: int
    """Which dump of its file, counted from 1; 1 for an audio file."""
    own_number: int | None
    """The sample number that it has in its file; None for an audio file."""
    number: int
    """The sample number that it is sent under."""
    name: str
    """As the unit keeps it, "" for none."""
    bits: int
    rate: Fraction
    """In Hz."""
    channels: int
    frames: int
    packets: int
    loop: Loop
    """NO_LOOP where it has none."""
    root: int | None
    """The MIDI note number at which it has its own pitch, where the file says so."""
    keys: Keys | None
    """The keys that it is to be typed in for at the unit."""
    slot: int | None
    """None where the rehearsal did not load it."""
    regions: tuple[Region, ...]
    """Where it lies in the memory."""
    duration_s: float
    """How long it sounds at its own pitch, played once."""
    is_walk: bool
    """Whether somebody has to walk to the unit before it, to confirm the one before."""
    start_ns: int
    """When it begins, with that walk, counted from the beginning of the evening."""
    time_ns: int
    """How long it takes: the walk, sending, and reading back."""
    read_back_ns: int
    """How much of that is reading back."""
    change: Change
    peak_db: float | None
    """The loudest word, against full scale; None for silence."""
    notes: tuple[str, ...] = ()
    """What was odd about its file or had to be done for the unit, each without a full stop."""
    remark: str
    """What the rehearsal came to, where that is not that the unit holds just what was sent; without
    a full stop."""


class NotPlanned(Struct, frozen=True, kw_only=True):
    """A file, or a dump of one, that is not in the plan."""

    file: str
    dump: int | None
    """Which dump of its file, counted from 1; None where the whole file is meant."""
    why: str
    """In plain words, without a full stop."""
    is_well: bool
    """Whether nothing is missing because of it: a text is no sample, and a dump that is there
    twice is sent once."""


class Saving(Struct, frozen=True, kw_only=True):
    """What would save time."""

    what: str
    """In plain words, without a full stop."""
    time_ns: int


class EveningPlan(Struct, frozen=True, kw_only=True):
    """What goes into a unit, in the order of sending, and what does not."""

    unit: str
    """As it was given: the name of a profile, or a path."""
    profile: Profile
    banks: int | None
    """How many are fitted; None: those of the profile."""
    holds: str | None
    """Where it says what the unit has and keeps; None: the memory is initialised first."""
    device_id: int | None = None
    """None: the unit's own."""
    samples: tuple[PlannedSample, ...]
    left_out: tuple[NotPlanned, ...]
    offers: tuple[tuple[str, tuple[Offer, ...]], ...]
    """Of each sound that does not fit as it is: what it is called, and what could be done."""
    weight: int
    """Of the samples that fit as they are."""
    bound: int
    """No set of samples that fit as they are has a greater weight."""
    savings: tuple[Saving, ...]
    """The greatest first."""
    spent: tuple[tuple[str, int], ...]
    """Where the time goes, in words and nanoseconds, the most first."""
    amount: Amount
    before: tuple[MapLine, ...]
    """The memory before the first sample."""
    after: tuple[MapLine, ...]
    edges: tuple[int, ...]
    """The words at which a bank begins and, last, the end of the memory."""
    free_slots: int
    """Slots in which a sample may be put, before the first one."""
    is_read_back: bool
    walk_ns: int | None
    """How long a walk to the unit takes; None: nobody walks."""
    visits: int
    """How often somebody has to walk to the unit, after the last sample too."""
    total_ns: int
    """How long all of it takes."""

    @property
    def is_well(self) -> bool:
        """Whether all that is right is in it and is shown to load."""
        return all(each.is_well for each in self.left_out) and not any(
            each.remark for each in self.samples
        )
