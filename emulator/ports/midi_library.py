"""The MIDI library, by whichever of its two bindings is installed: the only file that imports one.

Theory of operation.  python-rtmidi and supriya-midi bind the same C++ library, RtMidi, and their
inputs and outputs have the same methods.  python-rtmidi has ready-made builds for Python 3.11 and
3.12, supriya-midi for 3.13 and later; where both are installed, python-rtmidi is used.
"""

import contextlib
import ctypes
import sys
import threading
from collections.abc import Callable
from functools import partial
from typing import Any, Final, NamedTuple

from dryload.emulator.ports.port import PortError, Truncated

_QUEUE: Final = 1 << 16  # messages that may wait until they are polled
_DUMMY: Final = "dummy"
"""A system of RtMidi that does nothing."""
_MODULES: Final = ("rtmidi", "supriya_midi")
_BUILT_UP_TO: Final = (3, 12)
"""The last Python for which python-rtmidi has ready-made builds."""
_NO_ALSA: Final = "libasound"
_GET_ALSA: Final = (
    "Install the library of ALSA. On Debian 13, Ubuntu 24.04 and later: "
    "apt install libasound2t64; before them: apt install libasound2."
)


class MidiSystem(NamedTuple):
    """A system of MIDI ports that the library was built for."""

    name: str
    """As the library calls it: alsa, jack, core, winmm."""
    title: str
    make_input: Callable[[str], Any]
    """Return a new input of a client of that name, which keeps all messages until it is polled."""
    make_output: Callable[[str], Any]
    """Return a new output of a client of that name."""
    truncated: Truncated
    """What comes of a message without an end (measured over ALSA and JACK)."""


def midi_systems() -> tuple[MidiSystem, ...]:
    """Return the systems that the library knows; PortError without a library that can be used."""
    broken: list[ImportError] = []
    for binding in (_python_rtmidi, _supriya_midi):
        try:
            return tuple(each for each in binding() if each.name != _DUMMY)
        except ImportError as problem:
            if not (isinstance(problem, ModuleNotFoundError) and problem.name in _MODULES):
                broken.append(problem)
    if broken:
        raise PortError(
            f"The MIDI library is installed but can't be used: {broken[0]}.",
            _GET_ALSA if _NO_ALSA in str(broken[0]) else f"{_how_to_get_it('--force-reinstall')}.",
        )
    raise PortError(
        "MIDI ports need a MIDI library, and there is none for this Python.",
        f"{_how_to_get_it()}. Or use a tcp: target.",
    )


def _how_to_get_it(*options: str) -> str:
    package = "python-rtmidi" if sys.version_info[:2] <= _BUILT_UP_TO else "supriya-midi"
    python = f'"{sys.executable}"' if " " in sys.executable else sys.executable
    return f"Install one: {' '.join((python, '-m pip install', *options, package))}"


def _python_rtmidi() -> list[MidiSystem]:
    from rtmidi import (
        MidiIn,
        MidiOut,
        get_api_display_name,
        get_api_name,
        get_compiled_api,
    )

    return [
        MidiSystem(
            get_api_name(api),
            get_api_display_name(api),
            partial(_make_input, MidiIn, api),
            partial(MidiOut, api),
            Truncated.WITH_THE_NEXT,
        )
        for api in get_compiled_api()
    ]


def _supriya_midi() -> list[MidiSystem]:
    # Its builds for Linux bring a libjack with them that can't talk to a server of JACK 2
    # ("protocol mismatch").  A program has to use the libjack that came with the server: one that
    # was loaded for the whole process before is taken instead.
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            ctypes.CDLL("libjack.so.0", mode=ctypes.RTLD_GLOBAL)

    from supriya_midi import (
        MidiIn,
        MidiOut,
        get_api_display_name,
        get_api_name,
        get_compiled_apis,
    )

    return [
        MidiSystem(
            get_api_name(api),
            get_api_display_name(api),
            partial(_make_quiet_input, MidiIn, api),
            partial(MidiOut, api),
            Truncated.NEVER,
        )
        for api in get_compiled_apis()
    ]


def _make_input(midi_in: Any, api: Any, client: str) -> Any:
    source = midi_in(api, client, _QUEUE)
    source.ignore_types(sysex=False, timing=False, active_sense=False)
    return source


def _make_quiet_input(midi_in: Any, api: Any, client: str) -> Any:
    """Return an input that raises errors to its caller only.

    As it comes it also raises them in the library's own thread, when messages come faster than they
    can be taken, and that ends the process.
    """
    source = _make_input(midi_in, api, client)
    source.set_error_callback(partial(_raise_to_caller, threading.get_ident()))
    return source


def _raise_to_caller(caller: int, _kind: object, text: str, _data: object) -> None:
    if threading.get_ident() == caller:
        raise OSError(text)
