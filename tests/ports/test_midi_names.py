"""Which port a name means, from lists as the systems give them."""

from __future__ import annotations

import pytest

from dryload.emulator.ports.midi_names import SystemPorts, choose, matching, nothing_fits
from dryload.emulator.ports.port import PortError

# The forms in which the library lists ports (common practice): JACK "client:port", with a count
# where a client's name was taken; the ALSA sequencer "client:port 128:0"; others the bare name.
JACK = ["system:midi_playback_1", "Lantern Desk:in", "Lantern Desk 2:in", "Ship's Bell:in"]
ALSA = ["Midi Through:Midi Through Port-0 14:0", "Desk:Desk MIDI 1 20:0", "Desk:Desk MIDI 2 20:1"]
TWINS = ["Desk", "Desk", "Box"]


@pytest.mark.parametrize(
    ("names", "wanted", "index"),
    [
        (JACK, "Lantern Desk:in", 1),
        (JACK, "Lantern Desk", 1),  # a whole client's name goes before a part of another
        (JACK, "Lantern Desk 2", 2),
        (JACK, "lantern desk", 1),
        (JACK, "bell", 3),
        (["desk:in", "Desk:in"], "Desk", 1),
        (["Lantern Desk-01:out", "Lantern Desk 2-03:out"], "Lantern Desk", 0),
        (ALSA, "Desk:Desk MIDI 1 20:0", 1),
        (ALSA, "Desk:Desk MIDI 2", 2),
        (ALSA, "Desk MIDI 2", 2),
        (ALSA, "20:1", 2),
        (ALSA, "through", 0),
        (TWINS, "Box", 2),
        (TWINS, "Desk#2", 1),
        (JACK, "lantern#2", 2),
        (["Desk #1", "Desk #2"], "Desk #2", 1),  # the text itself goes before a choice
    ],
)
def test_one_port_fits(names: list[str], wanted: str, index: int) -> None:
    assert choose(names, wanted, "to hear") == index


@pytest.mark.parametrize(
    ("names", "wanted"),
    [(JACK, "gulls"), ([], "Desk"), (TWINS, "Desk#3"), (TWINS, "Desk#0"), (TWINS, "gulls#1")],
)
def test_no_port_fits(names: list[str], wanted: str) -> None:
    assert choose(names, wanted, "to hear") is None


@pytest.mark.parametrize(
    ("names", "wanted", "count"), [(TWINS, "Desk", 2), (ALSA, "Desk", 2), (JACK, "lantern", 2)]
)
def test_several_ports_fit_and_each_is_listed_with_what_means_it(
    names: list[str], wanted: str, count: int
) -> None:
    with pytest.raises(PortError) as caught:
        choose(names, wanted, "to send to")
    text = str(caught.value)
    assert f'{count} ports to send to match "{wanted}"' in text
    found = matching(names, wanted)
    for at, index in enumerate(found, 1):
        assert f"{names[index]}  ({wanted}#{at})" in text
        assert choose(names, f"{wanted}#{at}", "to send to") == index


def test_nothing_fits_says_what_there_is_and_what_cannot_be_used() -> None:
    seen = [
        SystemPorts(system="alsa", title="ALSA", problem="no sequencer"),
        SystemPorts(system="jack", title="JACK", hear=("Gulls:out",), send=("Gulls:in",)),
    ]
    text = str(nothing_fits("Bell", None, seen))
    for part in ('"Bell"', "no sequencer", "to send to: Gulls:in", "to hear: Gulls:out", "Connect"):
        assert part in text
    assert "These are available: none." in str(nothing_fits("Bell", "Ear", []))
