"""A foreign program fills `dryload serve` and gets back what it has put there, word for word.

The program follows M1 pp. 35-39 (MIDI 1.0 Detailed Specification 4.2.1) and shares nothing with the
project: it is a stand-in for whatever else a user has.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.foreign import wire
from tests.foreign.commands import ended, serving
from tests.foreign.process import Running, send

QUICK = ("--no-panel", "--no-pace")


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """A sample to play: `factor` makes its words; the rest is in the dump header (M1 p. 37)."""

    number: int
    length: int
    factor: int = 1021
    bits: int = 16
    loop: tuple[int, int, int] = (0, 0, 0x7F)

    @property
    def options(self) -> tuple[str, ...]:
        start, end, kind = self.loop
        return (
            *(f"--{name}={getattr(self, name)}" for name in ("number", "length", "factor", "bits")),
            *(f"--loop-start={start}", f"--loop-end={end}", f"--loop-type={kind}"),
        )

    @property
    def held(self) -> dict[str, Any]:
        """What has to come back."""
        head = wire.Head(self.number, self.bits, 22_676, self.length, *self.loop)
        return {**head._asdict(), "words": wire.ramp(self.factor, self.length, self.bits)}


THUNDER = Given(number=1, length=1_000)
GULLS = Given(number=5, length=401, factor=77, bits=12, loop=(10, 399, 0))
BELL = Given(number=9, length=40, factor=3, bits=8)  # one packet that is not full (M1 p. 39)
ALL = (THUNDER, GULLS, BELL)


def play(unit: Running, given: Given, *options: str, jack: str | None = None) -> dict[str, Any]:
    return send("play", unit.port, *given.options, *options, jack=jack)


def ask(unit: Running, number: int, *options: str, jack: str | None = None) -> dict[str, Any]:
    return send("ask", unit.port, f"--number={number}", *options, jack=jack)


def check_held(unit: Running, *wanted: Given, jack: str | None = None) -> None:
    for given in wanted:
        got = ask(unit, given.number, jack=jack)
        assert got["samples"] == {str(given.number): given.held}
        assert got["saw"]["damaged"] == 0


def check_end(unit: Running, *wanted: Given) -> None:
    """Let it end; its last line says what it holds."""
    said = ended(unit)[-1]
    assert said["event"] == "end"
    held = {each["sample_number"]: (each["words"], each["bits"]) for each in said["samples"]}
    assert held == {given.number: (given.length, given.bits) for given in wanted}


def test_filled_in_a_closed_loop() -> None:
    with serving(*QUICK, "--tcp", "127.0.0.1:0") as unit:
        for given in ALL:
            said = play(unit, given)
            assert (said["end"], said["nak"], said["unanswered"]) == ("sent", 0, 0)
        check_held(unit, *ALL)
        check_end(unit, *ALL)


def test_filled_in_an_open_loop() -> None:
    # 2 s after the header, 20 ms after each packet, and no ear for what the unit says (M1 p. 39).
    with serving(*QUICK, "--tcp", "127.0.0.1:0") as unit:
        assert play(unit, GULLS, "--open")["ack"] == 0
        check_held(unit, GULLS)
        check_end(unit, GULLS)


def test_filled_with_the_time_of_a_real_line() -> None:
    with serving("--no-panel", "--tcp", "127.0.0.1:0") as unit:
        assert play(unit, GULLS, "--paced")["end"] == "sent"
        check_held(unit, GULLS)
        check_end(unit, GULLS)


def test_a_sample_takes_the_place_of_one_with_its_number() -> None:
    other = Given(number=THUNDER.number, length=90, factor=5)
    with serving(*QUICK, "--tcp", "127.0.0.1:0") as unit:
        play(unit, THUNDER)
        play(unit, other)
        check_held(unit, other)
        check_end(unit, other)


def test_what_is_not_there_is_not_answered() -> None:
    with serving(*QUICK, "--tcp", "127.0.0.1:0") as unit:
        play(unit, BELL)
        assert ask(unit, 2, "--patience=0.3")["end"] == "nothing came"  # M1 p. 37
        assert play(unit, BELL, "--device=5", "--patience=0.3")["end"] == "no answer to the header"
        check_held(unit, BELL)


def test_what_it_cannot_take_is_cancelled_and_changes_nothing() -> None:
    wide = Given(number=BELL.number, length=40, bits=20)  # the unit takes 8 to 16 bits
    with serving(*QUICK, "--tcp", "127.0.0.1:0") as unit:
        play(unit, BELL)
        assert play(unit, wide)["end"] == "cancelled at the header"
        check_held(unit, BELL)
        check_end(unit, BELL)


def test_an_image_keeps_what_was_put_there(tmp_path: Path) -> None:
    image = str(tmp_path / "desk.image")
    serve = (*QUICK, "--tcp", "127.0.0.1:0", "--image", image)
    with serving(*serve) as unit:
        play(unit, THUNDER)
        play(unit, GULLS)
        check_end(unit, THUNDER, GULLS)
    with serving(*serve) as unit:
        check_held(unit, THUNDER, GULLS)
        play(unit, BELL)
        check_held(unit, BELL)
        check_end(unit, *ALL)


def test_without_an_image_nothing_stays() -> None:
    for _ in range(2):
        with serving(*QUICK, "--tcp", "127.0.0.1:0") as unit:
            assert ask(unit, BELL.number, "--patience=0.3")["end"] == "nothing came"
            play(unit, BELL)
            check_end(unit, BELL)


def test_its_lines_tell_what_happened() -> None:
    with serving(*QUICK, "--tcp", "127.0.0.1:0") as unit:
        play(unit, BELL)
        ask(unit, BELL.number)
        lines = ended(unit)
    loaded = [line for line in lines if line["event"] == "loaded"]
    assert [(line["sample_number"], line["words"]) for line in loaded] == [(9, 40)]
    answered = [line for line in lines if line["event"] == "request answered"]
    assert [line["sample_number"] for line in answered] == [9]


@pytest.mark.port
def test_filled_over_midi_ports(jack_name: str) -> None:
    with serving(*QUICK, "--midi", "Lantern Desk", jack=jack_name) as unit:
        for given in ALL:
            said = play(unit, given, jack=jack_name)
            assert (said["end"], said["unanswered"]) == ("sent", 0)
        check_held(unit, *ALL, jack=jack_name)
        check_end(unit, *ALL)


@pytest.mark.port
def test_filled_over_midi_ports_in_an_open_loop_at_the_pace_of_a_line(jack_name: str) -> None:
    with serving("--no-panel", "--midi", "Lantern Desk", jack=jack_name) as unit:
        assert play(unit, GULLS, "--open", "--paced", jack=jack_name)["end"] == "sent"
        check_held(unit, GULLS, jack=jack_name)
        check_end(unit, GULLS)
