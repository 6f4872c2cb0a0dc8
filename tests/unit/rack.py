"""A rack unit without its sockets: what the checks of this room have in common."""

from collections.abc import Sequence

from msgspec import Struct

from dryload.emulator.dump.storage import Accept, Decision
from dryload.emulator.unit.cells import cells_of
from dryload.emulator.unit.keeper import Keeper
from dryload.emulator.unit.memory import Memory
from dryload.emulator.unit.panel import FrontPanel
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.schema import parse_profile
from dryload.emulator.unit.slots import Slots
from dryload.emulator.wire.messages import DataPacket, DumpHeader, ExtendedHeader, Header
from tests import oracle

NOW = 1_000


def profile_of(text: str = "") -> Profile:
    """A unit called bench with what `text` says; the rest is the default."""
    return parse_profile('[unit]\nname = "bench"\n' + text, "bench.toml")


SMALL = """
[memory]
bank_words = 100
places = 3
fitted = [1]
[slots]
count = 4
"""


class Rack(Struct, frozen=True, dict=True):
    """All parts that the room holds, put together as the board does."""

    profile: Profile
    memory: Memory
    slots: Slots
    panel: FrontPanel
    keeper: Keeper

    def send(self, words: Sequence[int], *, packets: int | None = None, **fields: int) -> Decision:
        """Send a dump, or only its first `packets` packets and nothing more."""
        return self.send_as(header(length=len(words), **fields), words, packets=packets)

    def send_as(
        self, made: Header, words: Sequence[int], *, packets: int | None = None
    ) -> Decision:
        """Send words under a header of one's own; a full memory ends the dump (HSK-12)."""
        decision = self.keeper.begin(made, NOW)
        if isinstance(decision, Accept):
            for body in oracle.packets(bits=made.bits, words=words)[:packets]:
                if not self.keeper.has_room():
                    self.keeper.abandon(NOW)
                    return decision
                self.keeper.append(packet(body), NOW)
            if packets is None:
                self.keeper.finish(NOW)
        return decision

    def words_in(self, slot: int) -> list[int] | None:
        """The words that a slot holds."""
        sample = self.slots[slot].sample
        return None if sample is None else [int(word) for word in sample.words]


def rack(text: str = SMALL) -> Rack:
    """A unit with the profile in `text`."""
    profile = profile_of(text)
    cells = cells_of(profile.memory, profile.words)
    memory, slots = Memory(profile.memory, cells), Slots(profile.slots, cells)
    panel = FrontPanel(profile, memory, slots)
    return Rack(profile, memory, slots, panel, Keeper(profile, memory, slots, panel))


def header(*, length: int = 10, number: int = 0, **fields: int) -> DumpHeader:
    """A standard header of a 16 bit sample without a loop, unless `fields` say otherwise."""
    values = {
        "bits": 16,
        "period_ns": 22_676,
        "loop_start": 0,
        "loop_end": 0,
        "loop_type": oracle.NO_LOOP,
        **fields,
    }
    return DumpHeader(device_id=0, sample_number=number, length=length, **values)


def extended(*, frames: int, channels: int, number: int = 0, **fields: int) -> ExtendedHeader:
    """An extended header."""
    values = {
        "bits": 16,
        "rate_hz": 44_100,
        "rate_fraction": 0,
        "loop_start": 0,
        "loop_end": 0,
        "loop_type": oracle.NO_LOOP,
        **fields,
    }
    return ExtendedHeader(
        device_id=0, sample_number=number, length=frames, channels=channels, **values
    )


def packet(body: bytes) -> DataPacket:
    """The packet in 127 bytes (M1 p. 37)."""
    return DataPacket(
        device_id=body[2], packet_number=body[4], data=body[5:125], checksum=body[125]
    )
