"""`dryload prove` at a port, to gear with a plain memory that may be faulty, and rehearsed.

The gear knows the standard alone, and nothing of the product is behind its memory.
"""

from __future__ import annotations

import io
import json
import os
import re
import sys
from pathlib import Path
from typing import Any

import pytest

from dryload.harness.prove.proof import Proof, ProofRequest
from dryload.harness.prove.table import known_faults
from tests import oracle
from tests.cli.backing_up import TARGET, Desk, listed, press_ctrl_c
from tests.cli.replaying import Said
from tests.foreign import wire
from tests.foreign.endpoint import GearEndpoint
from tests.foreign.habits import Habits
from tests.foreign.unit import Held
from tests.prove.faulty_gear import FaultyGear
from tests.prove.plain_memory import LISTED, PlainMemory, three_lines_joined
from tests.prove.plain_unit import PlainUnit

OK, FAULT, USAGE, RIG, INTERRUPTED = 0, 1, 2, 3, 130
WORDS = 2 * 512
AGAIN = (["--bits", "12"], ["--words", "2048"], ["--device-id", "3"], ["--overnight"])
FAULTS = (
    *("data_line_stuck", "data_line_loose", "data_lines_joined", "address_line", "missing"),
    *("half_the_size", "together", "chip", "block", "cells", "noise", "address_lines_joined"),
)


@pytest.fixture
def desk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Desk:
    return Desk(tmp_path, monkeypatch, capsys)


def memory(seed: int = 4) -> PlainMemory:
    return PlainMemory("in a row", banks=2, size=WORDS // 2, start=0, seed=seed)


def gear_at(desk: Desk, of: PlainMemory, habits: Habits | None = None) -> FaultyGear:
    gear = FaultyGear(of, habits)
    desk.endpoint = GearEndpoint(gear)
    return gear


def proved(desk: Desk, *options: str) -> Said:
    return desk.run("prove", "--to", TARGET, *options)


def told(said: Said) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(said.out)
    return document


def hold(gear: FaultyGear, number: int, words: list[int]) -> None:
    """Put a sample into gear as somebody did who used it before."""
    first = sum(count for _, count in gear.places.values())
    gear.memory.write(first, [word + 32_768 for word in words])
    gear.places[number] = first, len(words)
    head = wire.Head(sample=number, bits=16, period_ns=22_676, length=len(words))
    gear.held[number] = Held(head, words)


def words_in(gear: FaultyGear, number: int) -> list[int]:
    first, count = gear.places[number]
    return [int(word) - 32_768 for word in gear.memory.read(first, count)]


# A memory that works.


def test_a_memory_that_works_is_proved_and_it_is_said_what_was_not_tested(desk: Desk) -> None:
    gear = gear_at(desk, memory())
    said = proved(desk, "--wipe")

    assert said.code == OK
    assert said.out.startswith("The memory works, as far as dumps can show.\n")
    assert f"{WORDS:,} words of 16 bits, each written and read twice" in said.out
    assert "Not tested: whether it survives being switched off" in said.out
    assert "volume down" in said.err
    assert "│" not in said.out  # a picture of what is right says nothing
    assert sum(count for _, count in gear.places.values()) == WORDS


def test_the_document_says_how_far_it_is_proved_and_the_time_that_was_announced(
    desk: Desk,
) -> None:
    gear_at(desk, memory())
    document = told(proved(desk, "--wipe", "--json"))

    assert document["schema"] == "dryload/prove/1"
    assert document["result"] == "proved"
    assert document["proved_to"] == {
        **{"passes": 2, "kept_bits": 16, "words": WORDS, "of_words": WORDS, "heard_only": False}
    }
    assert document["faults"] == []
    seconds = document["seconds"]
    took = seconds["total"] - seconds["announced_at"]
    assert abs(took - seconds["announced"]) < 0.03 * took


# One that does not.


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_found_at_a_port_and_named_as_the_memory_alone_tells(
    desk: Desk, name: str
) -> None:
    made = LISTED[name](of := memory(17))
    gear_at(desk, of)
    said = proved(desk, "--wipe", "--json")

    (found, *_) = told(said)["faults"]
    LISTED[name](same := memory(17))
    (alone, *_) = Proof(PlainUnit(same), ProofRequest()).run().faults  # type: ignore[arg-type]
    assert said.code == FAULT
    assert found["kind"] == alone.kind
    assert found["kind"] in made.answers
    assert found["remedies"] == list(known_faults()[alone.kind].do)


def test_what_is_wrong_is_said_in_plain_words_with_the_place_and_what_to_do(desk: Desk) -> None:
    of = memory()
    of.carry = lambda bank, at, value, writing: value | (bank == 1) << 9
    gear_at(desk, of)
    said = proved(desk, "--wipe", "--modules", "2")

    assert said.code == FAULT
    first, second, *_ = said.out.splitlines()
    assert first.startswith("The memory does not work: samples in the second half of the memory")
    assert second.startswith("  Data line 9 of the second half of the memory (module 2, if")
    assert " always reads 1. " in second
    assert "swap the modules" in said.out
    rows = [line for line in said.out.splitlines() if "│" in line]
    assert [line[: len("  module 1 │")] for line in rows] == ["  module 1 │", "  module 2 │"]
    assert {*rows[0][len("  module 1 ") :]} == {"│", "█"}
    assert len(re.findall("[1-9]", rows[1][len("  module 2 ") :])) > 50  # of 67 cells of 7 words
    assert "mains voltage" in said.out
    assert "came back wrong" in said.err  # as soon as it showed


def test_a_fault_that_nobody_has_listed_is_told_as_that(desk: Desk) -> None:
    of = PlainMemory("in a row", banks=2, size=4_096, start=0, seed=3)
    three_lines_joined(of)
    gear_at(desk, of)
    said = proved(desk, "--wipe")

    assert said.code == FAULT
    assert "not one of the faults I know" in said.out


def test_a_unit_that_sends_nothing_back_proves_nothing(desk: Desk) -> None:
    gear_at(desk, memory(), Habits(no_requests=True))
    said = proved(desk, "--wipe", "--json")

    assert (said.code, told(said)["result"]) == (FAULT, "not proved")


def test_a_look_of_a_minute_finds_what_fitting_does_wrong_and_proves_nothing(desk: Desk) -> None:
    gear_at(desk, memory())
    said = proved(desk, "--wipe", "--minutes", "1")
    assert said.code == FAULT
    assert said.out.startswith("No fault was found, but nothing is proved: ")

    of = memory()
    LISTED["missing"](of)
    gear_at(desk, of)
    said = proved(desk, "--wipe", "--minutes", "1")
    assert said.code == FAULT
    assert "  Nothing is stored in the " in said.out


def test_low_bits_that_are_always_0_are_proved_only_if_the_manual_says_so(desk: Desk) -> None:
    def twelve_bits() -> None:
        of = memory()
        of.carry = lambda bank, at, value, writing: value & ~15
        gear_at(desk, of)

    twelve_bits()
    said = proved(desk, "--wipe")
    assert said.code == FAULT
    assert "the lowest 4 bits of every word came back as 0" in said.out
    assert "data lines 0 to 3 are dead" in said.out

    twelve_bits()
    said = proved(desk, "--wipe", "--bits", "12", "--json")
    assert (said.code, told(said)["proved_to"]["kept_bits"]) == (OK, 12)


# The cable.


class Damaging(FaultyGear):
    """Gear at a bad cable: some packets arrive damaged, and one in a way that no checksum shows."""

    seen = 0

    def take(self, raw: bytes, now_s: float) -> None:
        if len(raw) == 127:  # PKT-01, M1 p. 38
            self.seen += 1
            spoilt = bytearray(raw)
            if self.seen in (15, 25):
                spoilt[20] ^= 4
            elif self.seen == 18:
                spoilt[20] ^= 4
                spoilt[50] ^= 4
                assert oracle.checksum(bytes(spoilt)) == spoilt[125]
            raw = bytes(spoilt)
        super().take(raw, now_s)


def test_the_cable_is_to_blame_where_what_is_written_again_is_right(desk: Desk) -> None:
    desk.endpoint = GearEndpoint(Damaging(memory()))
    said = proved(desk, "--wipe", "--capture", "proof.jsonl")

    assert said.code == RIG
    first = Path("proof.jsonl").read_text(encoding="utf-8").splitlines()[0]
    assert "a proof of the memory at" in first
    assert said.out.startswith("The memory is not to blame: bytes changed on the cable")
    assert "dryload diagnose" in said.out


def test_a_port_that_fails_is_the_rig_and_nothing_is_proved(desk: Desk) -> None:
    gear = gear_at(desk, memory())
    take = gear.take

    def fail(raw: bytes, now_s: float) -> None:
        take(raw, now_s)
        if gear.saw["packets"] == 20:
            desk.hang_up()

    gear.take = fail  # type: ignore[method-assign]
    said = proved(desk, "--wipe", "--json")

    assert (said.code, told(said)["result"]) == (RIG, "rig")
    assert "hung up" in told(said)["why"]


def test_a_battery_is_not_proved_where_nobody_switches_the_unit_off(desk: Desk) -> None:
    gear_at(desk, memory())
    said = proved(desk, "--wipe", "--battery", "10")  # standard input is no terminal

    assert said.code == FAULT
    assert said.out.startswith("Nothing is proved: nobody has switched the unit off")


class Person(io.StringIO):
    """Somebody at the terminal, who presses Enter after so many seconds each time."""

    def __init__(self, desk: Desk, *after_s: int) -> None:
        super().__init__()
        self._desk, self._after_s = desk, [*after_s]

    def isatty(self) -> bool:
        return True

    def readline(self, size: int | None = -1) -> str:  # type: ignore[override]
        if not self._after_s:
            return ""
        self._desk.clock.time_ns += self._after_s.pop(0) * 1_000_000_000
        return "\n"


@pytest.mark.parametrize(("after_s", "code"), [((3,), FAULT), ((3, 580, 60), OK), ((700,), OK)])
def test_enter_at_once_is_no_ten_minutes_without_power(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, after_s: tuple[int, ...], code: int
) -> None:
    gear_at(desk, memory())
    monkeypatch.setattr(sys, "stdin", Person(desk, *after_s))
    said = proved(desk, "--wipe", "--battery", "10")

    assert said.code == code
    assert ("It kept every word for 10 min" in said.out) is (code == OK)
    assert ("too soon" in said.err) is (after_s[0] < 600)


def test_a_unit_that_sends_something_else_after_it_was_off_is_not_called_right(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    gear = gear_at(desk, memory())

    class Returning(Person):
        def readline(self, size: int | None = -1) -> str:  # type: ignore[override]
            gear.held.clear()
            gear.places.clear()
            hold(gear, 0, [0] * 45)
            return super().readline()

    monkeypatch.setattr(sys, "stdin", Returning(desk, 700))
    said = proved(desk, "--wipe", "--battery", "10")

    assert said.code == FAULT
    assert said.out.startswith("The memory does not survive being switched off.")


# What the unit holds.


def test_nothing_is_opened_unless_what_it_holds_is_kept_or_given_up(desk: Desk) -> None:
    said = proved(desk)

    assert said.code == USAGE
    assert "--keep FOLDER" in said.err
    assert desk.ports == []


def test_how_long_it_takes_is_said_without_opening_anything(desk: Desk) -> None:
    said = proved(desk, "--plan")

    assert said.code == OK
    assert "  524,288 words of 16 bits (1,024 KB): 37 min" in said.out
    assert desk.ports == []


def test_what_it_holds_is_on_the_disk_before_the_first_write_and_back_at_the_end(
    desk: Desk,
) -> None:
    gear = gear_at(desk, memory())
    thunder, gulls = list(range(-50, 50)), [7] * 45
    hold(gear, 0, thunder)
    hold(gear, 3, gulls)
    complete: list[bool] = []
    take = gear.take

    def look(raw: bytes, now_s: float) -> None:
        if len(raw) == 21 and not complete:  # the first header (HDR-01, M1 p. 37)
            complete.append(listed("kept")["complete"])
        take(raw, now_s)

    gear.take = look  # type: ignore[method-assign]
    said = proved(desk, "--keep", "kept", "--up-to", "9", "--json")

    assert (said.code, complete) == (OK, [True])
    document = told(said)
    assert (document["kept"], document["restored"]) == ([0, 3], [0, 3])
    assert words_in(gear, 0) == thunder
    assert words_in(gear, 3) == gulls


def test_where_not_all_could_be_kept_nothing_is_written(desk: Desk) -> None:
    gear = gear_at(desk, memory())
    said = proved(
        desk, "--keep", "kept", "--up-to", "9"
    )  # it is empty: nothing shows that it would answer

    assert said.code == USAGE
    assert "--wipe" in said.err
    assert gear.saw["headers"] == 0


def test_ctrl_c_ends_it_and_resume_goes_on_and_puts_back_what_was_kept(desk: Desk) -> None:
    gear = gear_at(desk, memory())
    hold(gear, 0, [5] * 60)
    take = gear.take

    def press(raw: bytes, now_s: float) -> None:
        take(raw, now_s)
        if gear.saw["packets"] == 20 and len(raw) == 127:
            press_ctrl_c()

    gear.take = press  # type: ignore[method-assign]
    said = proved(desk, "--keep", "kept", "--up-to", "9")

    assert said.code == INTERRUPTED
    assert said.out.startswith("Nothing is proved: you stopped it")
    assert f"dryload prove --to {TARGET} --resume goes on" in said.err
    assert f"dryload replay kept --to {TARGET} puts back" in said.err

    packets = gear.saw["packets"]
    said = proved(desk, "--resume", "--json")
    document = told(said)
    assert (said.code, document["result"]) == (OK, "proved")
    assert (document["kept"], document["restored"]) == ([0], [0])
    assert words_in(gear, 0) == [5] * 60
    whole = 2 * (WORDS // 40 + 5)  # packets of two passes, were all of it written anew
    assert gear.saw["packets"] - packets < whole + 8

    said = proved(desk, "--resume")
    assert said.code == USAGE
    assert "has ended (proved)" in said.err


def test_there_is_nothing_to_resume_of_another_unit(desk: Desk) -> None:
    said = proved(desk, "--resume")

    assert said.code == USAGE
    assert "Leave --resume out" in said.err
    assert desk.ports == []


# Rehearsed.


def test_a_unit_without_a_battery_has_lost_its_memory_after_it_was_off(desk: Desk) -> None:
    Path("small.toml").write_text(
        '[unit]\nname = "small"\n[memory]\nbank_words = 2_048\nplaces = 1\nfitted = [1]\n'
        "battery = false\n"
    )
    said = desk.run("prove", "--to", "unit:small.toml", "--battery", "10")

    assert said.code == FAULT
    assert said.out.startswith("The memory does not survive being switched off.")
    assert "2,048 words (the whole memory) were lost" in said.out
    assert os.path.exists("small.toml")


@pytest.mark.parametrize(
    ("options", "what"),
    [
        (["--battery", "0", "--wipe"], "minutes"),
        *((["--resume", *given], "begun") for given in AGAIN),
        (["--modules", "0", "--wipe"], "--modules"),
        (["--keep", "x", "--wipe"], "exclude each other"),
        (["--resume", "--wipe"], "--resume"),
        (["--operator", "3", "--wipe"], "--operator is for an emulated unit"),
        (["--bits", "7", "--wipe"], "--bits"),
        (["--wipe", "--capture", "there.txt"], "there.txt"),
        (["--minutes", "7", "--overnight", "--wipe"], "--minutes"),
        (["--up-to", "9", "--wipe"], "--up-to"),
        (["--hear", "x", "--wipe"], "--hear"),
        (["--device-id", "200", "--wipe"], "--device-id"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_opened(
    desk: Desk, options: list[str], what: str
) -> None:
    said = proved(desk, *options)

    assert said.code == USAGE
    assert what in said.err
    assert desk.ports == []
