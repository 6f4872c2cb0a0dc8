"""The ways there are from a host to a unit in another process, and why some are not here."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Final, NamedTuple

from tests.ports import jack

SEQUENCER: Final = Path("/dev/snd/seq")
SHOWN: Final = "transfer"
"""The property of a test that is said at the end."""
_CARDS: Final = Path("/proc/asound/cards")
_CLIENTS: Final = Path("/proc/asound/seq/clients")
_GADGET: Final = "f_midi"
"""How the kernel calls the sequencer client of its own USB-MIDI device."""
_HOST_SIDE: Final = re.compile(r"]: USB-Audio - (.+?)\n[^\n]*dummy_hcd")
"""A USB card on the bus that leads from this machine back into it."""


class Lane(NamedTuple):
    """How to serve and where to send."""

    serve: tuple[str, ...]
    target: str
    server: str = ""
    """The JACK server, where there is one."""
    is_busy: bool = False
    """Whether the serving process has something else to do all the time."""


class NoLaneError(Exception):
    """There is no such way here; the text says why."""


@contextmanager
def jack_clean() -> Iterator[Lane]:
    """JACK where each period waits for all clients."""
    with _jack(jack.SYNCHRONOUS + "-lanes") as server:
        yield _virtual(server=server)


@contextmanager
def jack_busy() -> Iterator[Lane]:
    """JACK that waits for nobody, and a receiver that comes late: messages are lost and spoilt."""
    with _jack(jack.ASYNCHRONOUS + "-lanes") as server:
        yield _virtual(server=server)._replace(is_busy=True)


@contextmanager
def sequencer() -> Iterator[Lane]:
    """Virtual ports of the kernel's sequencer."""
    if not SEQUENCER.exists():
        raise NoLaneError(f"no ALSA sequencer here ({SEQUENCER})")
    yield _virtual()


@contextmanager
def usb() -> Iterator[Lane]:
    """A USB-MIDI link: the unit is the device, the host sees it as it sees any."""
    if not SEQUENCER.exists():
        raise NoLaneError(f"no ALSA sequencer here ({SEQUENCER}), so no USB-MIDI link either")
    found = _HOST_SIDE.search(_CARDS.read_text(encoding="utf-8"))
    if found is None or f'"{_GADGET}"' not in _CLIENTS.read_text(encoding="utf-8"):
        raise NoLaneError("no USB-MIDI link from this machine to itself (f_midi on dummy_hcd)")
    yield Lane(("--through", _GADGET), f"midi:{found[1]}")


LANES: Final[dict[str, Callable[[], AbstractContextManager[Lane]]]] = {
    "jack": jack_clean,
    "jack-busy": jack_busy,
    "alsa": sequencer,
    "usb": usb,
}


def _virtual(server: str = "") -> Lane:
    name = f"Lantern Desk {os.getpid()}"
    return Lane(("--midi", name), f"midi:{name}", server)


@contextmanager
def _jack(mode: str) -> Iterator[str]:
    if reason := jack.why_not():
        raise NoLaneError(reason)
    if SEQUENCER.exists():
        raise NoLaneError("the ALSA sequencer comes before JACK here")
    with jack.jack_server(mode) as (name, _):
        yield name
