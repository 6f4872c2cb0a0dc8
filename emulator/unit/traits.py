"""What a unit can do and how it behaves, as values: one section a class, one key a field.

Theory of operation.  These classes are the schema of a profile: `emulator.unit.schema` reads their
field types to check a TOML file, and a field's default is what a profile that leaves the key out
gets.  Nanoseconds are milliseconds in the file: the field `store_packet_ns` is the key
`store_packet_ms`.  A difference between units is a value here, never an `if` on a name.  Where the
published text leaves a point open the clause stands beside the key; keys without one describe
common practice of the 1990s.
"""

from typing import Annotated, Final, Literal

from msgspec import Meta, Struct

from dryload.emulator.dump.switches import ReceiverSwitches
from dryload.emulator.wire.constants import MAX_BITS, MAX_CHANNELS, MAX_SAMPLE_NUMBER, MIN_BITS

_LONGEST_WAIT_NS: Final = 600_000_000_000

Text = Annotated[str, Meta(min_length=1, max_length=400)]
Width = Annotated[int, Meta(ge=MIN_BITS, le=MAX_BITS)]  # HDR-03, M1 p. 37
Channels = Annotated[int, Meta(ge=1, le=MAX_CHANNELS)]  # EXT-05, CA-019 p. 3
SevenBit = Annotated[int, Meta(ge=0, le=127)]
FourteenBit = Annotated[int, Meta(ge=0, le=16_383)]
WordCount = Annotated[int, Meta(ge=1, le=1 << 28)]
Nanoseconds = Annotated[int, Meta(ge=0, le=_LONGEST_WAIT_NS)]


class UnitTraits(Struct, frozen=True, kw_only=True):
    """Who the unit is."""

    name: Text
    description: str = ""
    device_id: Annotated[int, Meta(ge=0, le=126)] = 0
    """127 is the all call and nobody's own ID (DEV-02, M1 p. 35)."""
    all_call: bool = True
    """Whether it obeys messages to ID 127 (DEV-02)."""


class IdentityTraits(Struct, frozen=True, kw_only=True):
    """What an Identity Reply says (IDN-02; M1 p. 40).  125 is the ID for non-commercial use."""

    maker: tuple[SevenBit, ...] = (0x7D,)
    family: FourteenBit = 1
    member: FourteenBit = 1
    revision: tuple[SevenBit, ...] = (1, 0, 0, 0)


class KnownMessages(Struct, frozen=True, kw_only=True):
    """Which messages beside header, packets and handshakes the unit knows."""

    requests: bool = True
    """Dump Request (REQ-02)."""
    loops: bool = True
    """Loop points and their request (LOP-01)."""
    extended: bool = True
    """Extended header; extended loop points too where `loops` is true (EXT-01, EXT-07)."""
    names: bool = True
    """Sample name and its request (NAM-01)."""
    identity: bool = True
    """Identity Request (IDN-01)."""


class MemoryTraits(Struct, frozen=True, kw_only=True):
    """Sample memory; a word is one word of the unit's memory, whatever the width of a sample."""

    bank_words: WordCount = 1_048_576
    places: Annotated[int, Meta(ge=1, le=16)] = 4
    """How many banks can be fitted."""
    fitted: tuple[Annotated[int, Meta(ge=1, le=16)], ...] = (1, 2)
    """Places with a bank in them, from 1; a bank behind an empty place is of no use."""
    block_words: WordCount = 1
    """Memory is given out in whole blocks of this many words."""
    contiguous: bool = True
    """Whether a sample needs its words in one piece; false: several holes will do."""
    room: Literal["at header", "as it fills"] = "at header"
    """When too long a sample is noticed: from its header, or when the memory is full (HSK-12)."""
    initialised: bool = True
    """Whether the unit arrives ready to take samples."""
    battery: bool = True
    """Whether samples survive a power cut."""
    start_word: Annotated[int, Meta(ge=0, le=1 << 28)] = 0
    """Words at the beginning of the first bank that the unit keeps for itself."""
    arrangement: Literal["in a row", "in turns", "side by side"] = "in a row"
    """How words lie in the banks: one bank after the other, each word in the next bank, or a piece
    of every word in each bank."""
    cells: Literal["words", "bytes", "twelve bits"] = "words"
    """What stands at an address of a bank: a word, a byte of it, or a byte of words of 12 bits of
    which two take three bytes."""
    faults: tuple[Text, ...] = ()
    """What is at fault in the memory, in the words of --disturb (`emulator.unit.memory_faults`)."""


class SlotTraits(Struct, frozen=True, kw_only=True):
    """The numbered places that hold one sample each, counted from 1 on the panel."""

    count: Annotated[int, Meta(ge=1, le=MAX_SAMPLE_NUMBER + 1)] = 64
    first_number: FourteenBit = 0
    """The sample number that addresses slot 1."""
    protected: tuple[Annotated[int, Meta(ge=1, le=MAX_SAMPLE_NUMBER + 1)], ...] = ()
    name_length: SevenBit = 16
    """Longer names are cut."""
    replace: Literal["at once", "when whole"] = "at once"
    """When the old sample of a slot goes: as soon as the new header is accepted, which needs less
    memory, or when the new sample is whole."""


class WordTraits(Struct, frozen=True, kw_only=True):
    """Widths and channels the unit stores, and what it does with others."""

    accepts: tuple[Width, ...] = tuple(range(MIN_BITS, 17))
    others: Literal["refuse", "cut", "round"] = "refuse"
    """What other widths get; wider words lose low bits, narrower ones gain zeros."""
    others_to: Width = 16
    """The width that other widths are brought to; of no meaning with "refuse"."""
    channels: tuple[Channels, ...] = (1,)

    def width_for(self, bits: int) -> int:
        """Return the narrowest width that keeps words of `bits` whole, else the widest."""
        return min((each for each in self.accepts if each >= bits), default=max(self.accepts))


class InputTraits(Struct, frozen=True, kw_only=True):
    """The socket and what stands behind it."""

    buffer_bytes: Annotated[int, Meta(ge=1, le=1 << 20)] = 4_096
    """What can arrive while the unit works on something else (M1 p. 39 thinks of 128)."""
    store_packet_ns: Nanoseconds = 2_000_000
    """Work on one packet; its answer leaves afterwards."""
    store_header_ns: Nanoseconds = 5_000_000
    receive_exclusive: bool = True
    """The receive filter as the unit arrives: false lets no System Exclusive in."""
    drop_every_byte: Annotated[int, Meta(ge=0, le=1 << 20)] = 0
    """A poor input that loses every so-many-th byte; 0: none."""


class PanelTraits(Struct, frozen=True, kw_only=True):
    """What a person has to do at the front panel."""

    confirm: Literal["never", "each dump"] = "never"
    unconfirmed: Literal["wait", "ignore", "cancel"] = "wait"
    """What the next header gets until the last dump is confirmed: WAIT, silence or CANCEL."""


class Habits(ReceiverSwitches, frozen=True, kw_only=True):
    """The receiver's switches and whatever else units differ in."""

    partial: Literal["drop", "keep"] = "drop"
    """What becomes of a dump that ends early (STA-03)."""
    filler: Literal["cut", "keep"] = "cut"
    """Whether the bytes behind the last word become words (WRD-13)."""
    stray_data: Literal["ignore", "discard"] = "ignore"
    """What becomes of a whole sample with a bit below its significant bits (WRD-05) or a filler
    that is not 00 (PKT-08): the bits are dropped, or the sample is."""
    loop_end: Literal["inclusive", "exclusive"] = "inclusive"
    """Whether the word at the loop end is played (CA-019 p. 2; M1 leaves it open)."""
    protected_request: Literal["ignore", "cancel", "answer"] = "ignore"
    """What a request for a protected sample gets (REQ-03)."""
    empty_request: Literal["ignore", "cancel"] = "ignore"
    """What a request for an empty slot or a strange number gets (REQ-03)."""
    name_number_order: Literal["low first", "high first"] = "low first"
    """Order of the sample number in name messages (NAM-03; CA-019 p. 4 shows high first)."""
    echo: bool = False
    """Whether the input is copied to the output."""
    active_sensing: bool = False
    """Whether the output carries active sensing (TIM-09)."""
    clock_bpm: Annotated[int, Meta(ge=0, le=300)] = 0
    """Tempo of a MIDI clock on the output; 0: none."""
