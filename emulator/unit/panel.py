"""The front panel: what a person sees of the unit and can do to it."""

from collections.abc import Callable, Iterable
from typing import Final, Literal

from msgspec import Struct

from dryload.emulator.unit.memory import Memory, Region, no_memory
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.slots import Slots


class MapLine(Struct, frozen=True):
    """A piece of the memory as the panel shows it; `slot` is whose sample it is, if it is one."""

    region: Region
    kind: Literal["free", "sample", "arriving"]
    slot: int | None = None


class FrontPanel:
    """State and actions; every action takes the instant at which it happens."""

    def __init__(self, profile: Profile, memory: Memory, slots: Slots) -> None:
        """Start as the unit arrives: switched on, set up as the profile says."""
        self.profile: Final = profile
        self.powered = True
        self.device_id = profile.unit.device_id
        self.receive_exclusive = profile.input.receive_exclusive
        """The receive filter: False lets no System Exclusive in."""
        self.awaiting_confirm: int | None = None
        """The slot whose dump nobody has confirmed yet."""
        self.line = ""
        """What the display says."""
        self.line_since_ns = 0
        self._off_since_ns = 0
        self.interrupt: Callable[[int], None] = _nothing_to_interrupt
        """Ends a dump that is running; called before anything that would pull the memory away."""
        self._memory: Final = memory
        self._slots: Final = slots
        self.show(self._ready(), 0)

    def show(self, text: str, now_ns: int) -> None:
        """Put a text on the display."""
        self.line = text
        self.line_since_ns = now_ns

    def confirm(self, now_ns: int) -> bool:
        """Confirm the dump that waits for it; False when none does."""
        slot = self.awaiting_confirm
        if slot is None or not self.powered:
            return False
        self.awaiting_confirm = None
        self.show(f"slot {slot} confirmed", now_ns)
        return True

    def initialise(self, now_ns: int) -> None:
        """Lay the memory out anew: every sample and every name is gone, protected or not."""
        self._wipe(now_ns)
        self._memory.initialise()
        self.show(self._ready(), now_ns)

    def fit_banks(self, places: Iterable[int], now_ns: int) -> None:
        """Have banks in these places and no others; the same ones as before change nothing.

        ValueError for a place that isn't there, before anything has changed.
        """
        wanted = self._memory.checked(places)
        if wanted == self._memory.fitted:
            return
        self._wipe(now_ns)
        self._memory.fit_banks(wanted)
        self.show(self._ready(), now_ns)

    def set_receive_filter(self, lets_exclusive_in: bool, now_ns: int) -> None:
        """Let System Exclusive in or keep it out."""
        self.receive_exclusive = lets_exclusive_in
        self.show(f"System Exclusive {'on' if lets_exclusive_in else 'off'}", now_ns)

    def set_device_id(self, device_id: int, now_ns: int) -> None:
        """Give the unit an ID from 0 to 126 (DEV-01, M1 p. 35)."""
        if not 0 <= device_id <= 126:
            raise ValueError(f"a device ID is 0 to 126, not {device_id}")
        self.device_id = device_id
        self.show(f"device ID {device_id}", now_ns)

    def protect(self, slot: int, protected: bool, now_ns: int) -> None:
        """Protect a slot from being written to, or stop doing so."""
        self._slots[slot].protected = protected
        self.show(f"slot {slot} {'protected' if protected else 'no longer protected'}", now_ns)

    def delete(self, slot: int, now_ns: int) -> bool:
        """Empty a slot; False when it is empty or protected."""
        place = self._slots[slot]
        if place.protected or place.written is None:
            return False
        self._memory.free(place.clear())
        place.rename("")
        if self.awaiting_confirm == slot:
            self.awaiting_confirm = None
        self.show(f"slot {slot} deleted", now_ns)
        return True

    def power_off(self, now_ns: int) -> None:
        """Switch off: a running dump ends, and without a battery every sample is gone."""
        self.interrupt(now_ns)
        if not self.profile.memory.battery:
            self._slots.wipe()
            if self._memory.initialised:
                self._memory.initialise()
        self.awaiting_confirm = None
        if self.powered:
            self._off_since_ns = now_ns
        self.powered = False
        self.show("", now_ns)

    def power_on(self, now_ns: int) -> None:
        """Switch on; the filter and the device ID are as they were left."""
        if self._memory.cells is not None and not self.powered:
            self._memory.cells.lose_power(now_ns - self._off_since_ns)
        self.powered = True
        self.show(self._ready(), now_ns)

    def memory_map(self) -> tuple[MapLine, ...]:
        """Return the memory from word 0 on, without gaps."""
        owners = {
            region: slot.number for slot in self._slots.used() for region in slot.holding.regions
        }
        lines = []
        for stretch in self._memory.stretches():
            slot = owners.get(stretch.region)
            taken: Literal["sample", "arriving"] = "arriving" if slot is None else "sample"
            lines.append(MapLine(stretch.region, "free" if stretch.is_free else taken, slot))
        return tuple(lines)

    def _wipe(self, now_ns: int) -> None:
        self.interrupt(now_ns)
        self._slots.wipe()
        self.awaiting_confirm = None

    def _ready(self) -> str:
        memory = self._memory
        if not memory.usable_banks:
            return f"no memory: {no_memory(memory)}"
        if not memory.initialised:
            return "memory not initialised"
        return f"{memory.total_free:,} of {memory.capacity:,} words free"


def _nothing_to_interrupt(now_ns: int) -> None:
    pass
