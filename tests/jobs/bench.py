"""A rehearsal with dumps made by the plain codec: what the checks of this room have in common."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

from msgspec.structs import replace

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.switches import SenderSwitches
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.profile import load_profile
from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.jobs.dumps import Dump, dumps_in
from dryload.harness.jobs.outcome import Transfer
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from tests import oracle

TO, FROM = Direction.TO_UNIT, Direction.FROM_UNIT
SECOND = 1_000_000_000
PERIOD = 22_676  # 44,100 Hz (M1 p. 37)
SMALL: dict[str, object] = {"bank_words": 100, "fitted": (1,), "places": 2}
"""The memory of a unit that has no room for 121 words."""


def words(count: int, bits: int = 16, factor: int = 1021) -> list[int]:
    """Words over the whole range, no two packets alike."""
    return [(factor * i) % (1 << bits) - (1 << (bits - 1)) for i in range(count)]


def dump(
    content: Sequence[int] | None = None,
    *more: bytes,
    number: int = 1,
    device_id: int = 0,
    bits: int = 16,
    extended: bool = False,
    **fields: int,
) -> Dump:
    """A dump as it comes out of a file: 121 words of 16 bits in 4 packets unless said otherwise."""
    made: dict[str, int] = {"rate_integer": 44_100} if extended else {"period_ns": PERIOD}
    data = oracle.dump(
        bits=bits,
        words=words(121, bits) if content is None else content,
        sample_number=number,
        device_id=device_id,
        extended=extended,
        **made,
        **fields,
    )
    return of(data + b"".join(more))


def of(data: bytes) -> Dump:
    """The one dump in these bytes."""
    (found,) = dumps_in(DumpFile(name="desk.syx", form=Form.RAW, data=data))
    return found


def unit(name: str = "lantern-desk", **sections: dict[str, object]) -> Profile:
    """A shipped profile in which some traits are others."""
    profile = load_profile(name)
    changed = {
        section: replace(getattr(profile, section), **traits)
        for section, traits in sections.items()
    }
    return replace(profile, **changed)


def rehearsal(
    profile: Profile | None = None,
    *disturbances: Disturbance,
    read_back: bool = True,
    operator_ns: int | None = 8 * SECOND,
    wants_stop: Callable[[], bool] | None = None,
    after_silence: Literal["go on", "again"] = "again",
    leaps: bool = True,
) -> Rehearsal:
    """A rehearsal with that unit."""
    return Rehearsal(
        profile or unit(),
        settings=Settings(
            sender=SenderSwitches(after_silence=after_silence),
            read_back=read_back,
            operator_ns=operator_ns,
        ),
        disturbances=disturbances,
        wants_stop=wants_stop,
        leaps=leaps,
    )


def in_slot(rehearsed: Rehearsal, slot: int) -> list[int] | None:
    """The words that a slot of the unit holds."""
    sample = rehearsed.unit.slots[slot].sample
    return None if sample is None else [int(word) for word in sample.words]


def said(rehearsed: Rehearsal, direction: Direction) -> list[bytes]:
    """The messages that went one way, of a line that carried nothing torn."""
    return [raw for _, raw in oracle.split(rehearsed.line.capture.bytes_of(direction))]


def kinds(messages: Sequence[bytes]) -> list[str]:
    """What messages are: the name of a handshake, else the sub-ID."""
    names = {value: name for name, value in oracle.HANDSHAKES.items()}
    return [names.get(message[3], f"{message[3]:02X}") for message in messages]


def clauses(transfer: Transfer) -> list[str]:
    """The clauses of what sending and reading back showed."""
    return [finding.clause for finding in transfer.findings]
