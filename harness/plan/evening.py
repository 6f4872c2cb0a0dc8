"""The plan of an evening: which samples go into a unit, in which order, and what comes of it."""

from fractions import Fraction

from msgspec import Struct

from dryload.emulator.dump.sample import Loop
from dryload.emulator.unit.memory import Region
from dryload.emulator.unit.possible import Profile
from dryload.harness.plan.change import Change


class PlannedSample(Struct, frozen=True, kw_only=True):
    """A sample as the unit will hold it, and how it gets there."""

    file: str
    dump: int
    """Which dump of its file, counted from 1; 1 for an audio file."""
    number: int
    """The sample number that it is sent under."""
    name: str
    """As the unit keeps it, "" for none."""
    bits: int
    rate: Fraction
    """In Hz."""
    channels: int
    frames: int
    loop: Loop
    """NO_LOOP where it has none."""
    root: int | None
    """The MIDI note number at which it has its own pitch, where the file says so."""
    slot: int | None
    """None where the rehearsal did not load it."""
    regions: tuple[Region, ...]
    """Where it lies in the memory."""
    duration_s: float
    """How long it sounds at its own pitch, played once."""
    start_ns: int
    """When it begins to be sent, counted from the beginning of the evening; a walk to the unit
    before that lies before it."""
    time_ns: int
    """How long sending and reading back takes."""
    change: Change | None
    peak_db: float | None
    """The loudest word, against full scale; None for silence."""


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


class EveningPlan(Struct, frozen=True, kw_only=True):
    """What goes into a unit, in the order of sending, and what does not."""

    unit: str
    """As it was given: the name of a profile, or a path."""
    profile: Profile
    samples: tuple[PlannedSample, ...]
    left_out: tuple[NotPlanned, ...]
