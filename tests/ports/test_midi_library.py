"""Which binding of the MIDI library is used, and what is said where none can be."""

from __future__ import annotations

import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from types import ModuleType
from typing import Any

import pytest

from dryload.emulator.ports.clock import MonotonicClock
from dryload.emulator.ports.midi import list_ports, open_midi, serve_midi
from dryload.emulator.ports.midi_library import midi_systems
from dryload.emulator.ports.port import PortError, Truncated

NAMES = {1: "core", 2: "alsa", 5: "dummy"}
MISSING_ALSA = "libasound.so.2: cannot open shared object file: No such file or directory"


class End:
    """An input or an output; keeps what it was made with, and of an input what it ignores."""

    def __init__(self, *words: object) -> None:
        self.words = words
        self.ignores: dict[str, bool] = {}

    def ignore_types(self, **which: bool) -> None:
        self.ignores = which

    def set_error_callback(self, function: Callable[[object, str, object], None]) -> None:
        self.report = function


class Broken(ModuleType):
    """A binding whose compiled part can't be loaded, or that is another package of that name."""

    def __init__(self, why: str) -> None:
        super().__init__("broken")
        self.why = why

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        raise ImportError(self.why)


def python_rtmidi() -> ModuleType:
    return binding("rtmidi", "get_compiled_api")


def supriya_midi() -> ModuleType:
    return binding("supriya_midi", "get_compiled_apis")


def binding(name: str, list_systems: str) -> ModuleType:
    """Return a module with the functions of a binding; its ends say in which module they are."""
    module = ModuleType(name)
    kinds = {kind: type(f"{name} {kind}", (End,), {}) for kind in ("MidiIn", "MidiOut")}
    functions = {"get_api_name": NAMES.get, "get_api_display_name": "no. {}".format}
    for each, what in {**kinds, **functions, list_systems: lambda: list(NAMES)}.items():
        setattr(module, each, what)
    return module


@pytest.fixture
def installed(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Let just these modules be installed, of the two."""

    def only(**modules: ModuleType) -> None:
        for name in ("rtmidi", "supriya_midi"):
            monkeypatch.setitem(sys.modules, name, modules.get(name))  # None: importing it fails

    return only


@pytest.mark.parametrize("name", ["rtmidi", "supriya_midi"])
def test_an_input_keeps_all_messages_of_every_kind_until_it_is_polled(
    installed: Callable[..., None], name: str
) -> None:
    installed(**{name: {"rtmidi": python_rtmidi, "supriya_midi": supriya_midi}[name]()})
    core, alsa = midi_systems()
    assert [(each.name, each.title) for each in (core, alsa)] == [
        ("core", "no. 1"),
        ("alsa", "no. 2"),
    ]
    source, sink = alsa.make_input("Desk"), alsa.make_output("Desk")
    assert (type(source).__name__, type(sink).__name__) == (f"{name} MidiIn", f"{name} MidiOut")
    assert (source.words, sink.words) == ((2, "Desk", 65_536), (2, "Desk"))
    assert source.ignores == {"sysex": False, "timing": False, "active_sense": False}


def test_where_both_are_installed_python_rtmidi_is_used(installed: Callable[..., None]) -> None:
    installed(rtmidi=python_rtmidi(), supriya_midi=supriya_midi())
    assert {each.truncated for each in midi_systems()} == {Truncated.WITH_THE_NEXT}
    installed(supriya_midi=supriya_midi())
    assert {each.truncated for each in midi_systems()} == {Truncated.NEVER}


def test_a_binding_that_can_not_be_loaded_gives_way_to_the_other(
    installed: Callable[..., None],
) -> None:
    installed(rtmidi=Broken("another package of that name"), supriya_midi=supriya_midi())
    assert [each.name for each in midi_systems()] == ["core", "alsa"]


def test_an_error_in_a_thread_of_the_library_does_not_end_the_process(
    installed: Callable[..., None],
) -> None:
    # supriya-midi calls back in the thread that hears, and what is raised there is not caught.
    installed(supriya_midi=supriya_midi())
    report = midi_systems()[0].make_input("Desk").report
    with pytest.raises(OSError, match="no server"):
        report(None, "no server", None)
    with ThreadPoolExecutor(1) as another:
        another.submit(report, None, "messages were lost", None).result()


@pytest.mark.parametrize(
    ("version", "package"),
    [
        ((3, 11, 7), "python-rtmidi"),
        ((3, 12, 0), "python-rtmidi"),
        ((3, 13, 0), "supriya-midi"),
        ((3, 14, 2), "supriya-midi"),
    ],
)
def test_without_a_library_the_message_is_the_command_that_installs_one(
    installed: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
    version: tuple[int, int, int],
    package: str,
) -> None:
    installed()
    monkeypatch.setattr(sys, "version_info", version)
    monkeypatch.setattr(sys, "executable", "/home/lantern desk/python")
    for use in (
        list_ports,
        lambda: open_midi("desk", MonotonicClock()),
        lambda: serve_midi("desk", MonotonicClock()),
    ):
        with pytest.raises(PortError) as caught:
            use()
        assert caught.value.do == (
            f'Install one: "/home/lantern desk/python" -m pip install {package}. '
            "Or use a tcp: target."
        )


@pytest.mark.parametrize(
    ("why", "do"),
    [
        (MISSING_ALSA, "apt install libasound2t64; before them: apt install libasound2."),
        ("wrong ELF class", "pip install --force-reinstall"),
    ],
)
def test_a_library_that_can_not_be_loaded_is_not_called_missing(
    installed: Callable[..., None], why: str, do: str
) -> None:
    installed(supriya_midi=Broken(why))
    with pytest.raises(PortError, match="is installed but can't be used") as caught:
        midi_systems()
    assert why in caught.value.what
    assert do in caught.value.do
