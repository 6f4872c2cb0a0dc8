"""What a unit answers at once: loop points, names, identity (M1 pp. 38, 40; CA-019 pp. 3-4)."""

from collections.abc import Sequence
from typing import Final

from dryload.emulator.dump.sample import Loop
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.slots import Slot, Slots
from dryload.emulator.wire.codec import Decoded, encode
from dryload.emulator.wire.constants import ALL_LOOPS, LOOP_TYPES, MAX_21_BIT
from dryload.emulator.wire.messages import (
    ExtendedLoopPoints,
    ExtendedLoopPointsRequest,
    IdentityReply,
    IdentityRequest,
    LoopPoints,
    LoopPointsRequest,
    SampleName,
    SampleNameRequest,
)
from dryload.emulator.wire.sevenbit import from_groups, to_groups


class Answers:
    """Keeps loops and names in the slots and answers questions about them."""

    def __init__(self, profile: Profile, slots: Slots) -> None:
        self._profile: Final = profile
        self._slots: Final = slots

    def to(self, message: Decoded, device_id: int) -> Sequence[bytes] | None:
        """Return what to send, nothing for what is silently taken or unknown to the unit.

        None means that the message is none of these and belongs to somebody else.
        """
        knows = self._profile.knows
        match message:
            case LoopPoints() | ExtendedLoopPoints():
                if self._knows_loops(message):
                    self._set_loop(message)
            case LoopPointsRequest() | ExtendedLoopPointsRequest():
                return self._loops(message, device_id) if self._knows_loops(message) else ()
            case SampleName():
                if knows.names:
                    self._rename(message)
            case SampleNameRequest():
                return self._name(message, device_id) if knows.names else ()
            case IdentityRequest():
                return self._identity(device_id) if knows.identity else ()
            case _:
                return None
        return ()

    def _knows_loops(
        self,
        message: LoopPoints | ExtendedLoopPoints | LoopPointsRequest | ExtendedLoopPointsRequest,
    ) -> bool:
        extended = isinstance(message, ExtendedLoopPoints | ExtendedLoopPointsRequest)
        return self._profile.knows.loops and (self._profile.knows.extended or not extended)

    def _set_loop(self, message: LoopPoints | ExtendedLoopPoints) -> None:
        slot = self._slots.addressed(message.sample_number)
        if slot is not None and not slot.protected:
            slot.set_loop(
                message.loop_number,
                Loop(start=message.loop_start, end=message.loop_end, loop_type=message.loop_type),
            )

    def _loops(
        self, request: LoopPointsRequest | ExtendedLoopPointsRequest, device_id: int
    ) -> list[bytes]:
        """Return one message a loop (LOP-05); a loop that is not there gets silence."""
        slot = self._slots.addressed(request.sample_number)
        if slot is None:
            return []
        extended = isinstance(request, ExtendedLoopPointsRequest)
        kind = ExtendedLoopPoints if extended else LoopPoints
        return [
            encode(
                kind(
                    device_id=device_id,
                    sample_number=request.sample_number,
                    loop_number=number,
                    loop_type=loop.loop_type,
                    loop_start=loop.start,
                    loop_end=loop.end,
                )
            )
            for number, loop in slot.loops()
            if request.loop_number in (number, ALL_LOOPS) and (extended or _fits_standard(loop))
        ]

    def _rename(self, message: SampleName) -> None:
        slot = self._named_slot(message.sample_number)
        if slot is not None and not slot.protected:
            name = message.name.decode("ascii", "replace")
            slot.rename(name[: self._profile.slots.name_length])

    def _name(self, request: SampleNameRequest, device_id: int) -> list[bytes]:
        slot = self._named_slot(request.sample_number)
        if slot is None or slot.written is None:
            return []
        name = SampleName(
            device_id=device_id,
            sample_number=request.sample_number,
            language=b"",
            name=slot.name.encode("ascii", "replace"),
        )
        return [encode(name)]

    def _named_slot(self, sample_number: int) -> Slot | None:
        """Return the slot a name message means: CA-019's examples put the high group first."""
        if self._profile.habits.name_number_order == "high first":
            sample_number = from_groups(to_groups(sample_number, 2)[::-1])
        return self._slots.addressed(sample_number)

    def _identity(self, device_id: int) -> list[bytes]:
        identity = self._profile.identity
        reply = IdentityReply(
            device_id=device_id,
            maker=bytes(identity.maker),
            family_code=identity.family,
            member=identity.member,
            revision=bytes(identity.revision),
        )
        return [encode(reply)]


def _fits_standard(loop: Loop) -> bool:
    return loop.loop_type in LOOP_TYPES and max(loop.start, loop.end) <= MAX_21_BIT
