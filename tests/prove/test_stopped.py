"""Proofs at a port that are stopped: in the ways that were wrong once, and at a few instants.

At very many instants: `python -m tests.prove.stopped 200`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar

import pytest

from tests.cli.backing_up import TARGET
from tests.cli.replaying import Said
from tests.foreign import wire
from tests.prove.stopped import INTERRUPTED, RIG, USAGE, told, trial, whole
from tests.prove.stopped_bench import Bench, LateGear, NotingGear, Stop

KEPT = Bench.kept
RESUMES = f"dryload prove --to {TARGET} --resume goes on"
REPLAYS = f"initialise the memory of the unit, and dryload replay kept --to {TARGET} puts back"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    whole("nothing")  # before anything is put in the place of something else
    with pytest.MonkeyPatch.context() as patch:
        yield Bench(tmp_path, "nothing", patch)


def answered(said: Said | None) -> Said:
    assert said is not None
    return said


def reading() -> Stop:
    """Ctrl-C in the middle of the last but one reading of the proof."""
    asked = [at for at, kind in enumerate(whole("nothing").heard) if kind == wire.REQUEST]
    return Stop("ctrl-c", "to the gear", asked[-len(KEPT) - 2] + 3)


def record_of(folder: Path) -> list[dict[str, object]]:
    (path,) = folder.glob(".state/dryload/proof-*.jsonl")
    return [json.loads(line) for line in path.read_text().splitlines()]


def test_ctrl_c_while_a_test_sample_is_read_is_a_stop_and_not_the_units_doing(
    bench: Bench,
) -> None:
    said = answered(bench.keep(stop=reading()))

    assert (said.code, told(said)["stopped"], told(said)["restored"]) == (INTERRUPTED, True, [])
    assert RESUMES in said.err
    assert REPLAYS in said.err
    assert KEPT.keys() != bench.gear.held.keys()  # nobody was there: nothing was put back


@pytest.mark.parametrize("how", ["ctrl-c", "cable"])
def test_a_stop_before_the_unit_is_known_is_not_the_units_doing_either(
    bench: Bench, how: str
) -> None:
    header = whole("nothing").heard.index(wire.HEADER)
    said = answered(bench.keep(stop=Stop(how, "to the gear", header + 4)))

    assert said.code == (INTERRUPTED if how == "ctrl-c" else RIG)
    assert told(said)["why"] == ("" if how == "ctrl-c" else "the port failed: The unit has hung up")


@pytest.mark.parametrize("how", ["ctrl-c", "cable"])
def test_a_stop_in_the_last_reading_before_the_decision_leaves_the_fault_unnamed(
    how: str, tmp_path: Path
) -> None:
    heard = whole("cells").heard
    asked = [at for at, kind in enumerate(heard) if kind == wire.REQUEST]
    with pytest.MonkeyPatch.context() as patch:
        bench = Bench(tmp_path, "cells", patch)
        said = answered(bench.keep(stop=Stop(how, "to the gear", asked[-len(KEPT) - 1] + 2)))

    assert said.code == (INTERRUPTED if how == "ctrl-c" else RIG)
    assert told(said)["faults"] == []


def test_somebody_at_the_terminal_gets_the_samples_back_after_ctrl_c(bench: Bench) -> None:
    said = answered(bench.keep(stop=reading(), typed="y\n"))

    assert "Putting it back takes about " in said.err
    assert "Enter alone leaves it" in said.err
    assert f"Ctrl-C leaves it. After that, {REPLAYS}" in said.err
    assert (said.code, told(said)["stopped"]) == (INTERRUPTED, True)
    assert told(said)["restored"] == [*KEPT]
    assert {number: bench.words(number) for number in bench.gear.held} == bench.held
    resumed = answered(bench.prove("--resume"))
    assert resumed.code == USAGE
    assert "has ended (stopped). Leave --resume out" in resumed.err


def test_any_other_answer_leaves_what_was_written_to_be_gone_on_with(bench: Bench) -> None:
    said = answered(bench.keep(stop=reading(), typed="what?\n"))

    assert (said.code, told(said)["restored"]) == (INTERRUPTED, [])
    assert RESUMES in said.err
    assert REPLAYS in said.err
    assert KEPT.keys() != bench.gear.held.keys()


def test_ctrl_c_again_leaves_the_rest_and_resume_says_how_it_comes_back(bench: Bench) -> None:
    said = answered(bench.keep(stop=reading()._replace(again_after=45), typed="y\n"))

    assert (said.code, told(said)["restored"]) == (INTERRUPTED, [2, 3])
    assert f"not everything is back: {REPLAYS}" in said.err
    resumed = answered(bench.prove("--resume"))
    assert "has ended (stopped). Initialise the memory of the unit, and dryload" in resumed.err


def test_a_cable_that_is_pulled_while_samples_are_put_back_hides_no_verdict(bench: Bench) -> None:
    last = whole("nothing").seen["to the gear"]
    said = answered(bench.keep(stop=Stop("cable", "to the gear", last - 3)))

    assert (said.code, told(said)["result"], told(said)["restored"]) == (RIG, "proved", [2, 3])
    assert f"not everything is back: {REPLAYS}" in said.err


def test_a_port_that_is_gone_when_samples_are_put_back_hides_no_verdict(bench: Bench) -> None:
    bench.ports_left = 2  # one to read with, one to prove with
    said = answered(bench.keep())

    assert (said.code, told(said)["result"], told(said)["restored"]) == (RIG, "proved", [])
    assert REPLAYS in said.err
    assert RESUMES not in said.err


def test_a_port_that_is_gone_when_it_is_wanted_for_putting_back_leaves_the_proof(
    bench: Bench,
) -> None:
    bench.ports_left = 2
    said = answered(bench.keep(stop=reading(), typed="y\n"))

    assert (said.code, told(said)["restored"]) == (INTERRUPTED, [])
    assert RESUMES in said.err
    bench.ports_left = 2
    assert told(answered(bench.prove("--resume")))["restored"] == [*KEPT]


def test_a_file_that_was_spoilt_meanwhile_is_missed(bench: Bench) -> None:
    assert bench.keep(stop=reading()) is not None
    Path("kept/sample-0003.syx").write_bytes(b"\xf0\x7e")
    said = answered(bench.prove("--resume"))

    assert (said.code, told(said)["restored"]) == (1, [2, 7])
    assert "not everything is back" in said.err


def test_the_record_is_there_before_anything_is_lost_and_begins_with_nothing(
    bench: Bench, tmp_path: Path
) -> None:
    header = whole("nothing").heard.index(wire.HEADER)
    assert bench.keep(stop=Stop("kill", "to the gear", header + 1)) is None

    assert record_of(tmp_path)[1:] == [{"unit": None}]
    said = answered(bench.prove("--resume"))
    assert "it was begun anew: nothing had been written." in said.err
    assert (said.code, told(said)["restored"]) == (0, [*KEPT])


def test_a_proof_that_is_begun_anew_uses_each_number_once(bench: Bench) -> None:
    assert bench.keep(stop=reading()) is not None
    bench.memory.cells[:] = 0
    said = answered(bench.prove("--resume", stop=reading()))

    *_, line = [each["unit"] for each in record_of(Path()) if each.get("unit")]
    assert "begun anew" in said.err
    assert isinstance(line, dict)
    assert len(line["numbers"]) == len({*line["numbers"]})


def test_what_the_unit_keeps_by_its_manual_is_not_forgotten(bench: Bench) -> None:
    bench.memory.carry = lambda bank, at, value, writing: value & ~15
    bench.held = {number: bench.words(number) for number in KEPT}
    assert bench.keep("--bits", "12", "--words", "1000", stop=reading()) is not None
    bench.memory.cells[:] = 0
    said = answered(bench.prove("--resume"))

    assert "begun anew" in said.err
    assert (told(said)["result"], told(said)["kept_bits"]) == ("proved", 12)
    assert record_of(Path())[0]["words"] == 1_000


def test_it_goes_on_from_another_folder(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert bench.keep(stop=reading()) is not None
    monkeypatch.chdir(tmp_path.parent)
    said = answered(bench.prove("--resume"))

    assert (said.code, told(said)["restored"]) == (0, [*KEPT])


def test_what_an_earlier_proof_has_kept_is_not_kept_over(bench: Bench) -> None:
    assert bench.keep(stop=reading()) is not None
    heard = len(bench.heard)
    said = answered(bench.keep())

    assert (said.code, len(bench.heard)) == (USAGE, heard)
    assert "kept holds a backup already" in said.err
    assert "--resume goes on" in said.err
    assert REPLAYS in said.err


def test_a_process_that_died_while_it_wrote_leaves_no_reason_to_begin_anew(bench: Bench) -> None:
    heard = whole("nothing").heard
    whole_dumps = [
        at
        for at, kind in enumerate(heard)
        if kind == wire.HEADER and heard[at + 1 : at + 4] == 3 * (wire.PACKET,)
    ]
    second = whole_dumps[-5 - 2]  # the first of five in the second pass; two are put back later
    assert bench.keep(stop=Stop("kill", "to the gear", second + 3)) is None
    packets = bench.gear.saw["packets"]
    said = answered(bench.prove("--resume"))

    assert "begun anew" not in said.err
    assert (said.code, told(said)["restored"]) == (0, [*KEPT])
    assert bench.gear.saw["packets"] - packets < 1_024 // 40 + 5 + 1_024 // 40 + 3 + 7  # one pass


def test_a_packet_of_the_test_goes_too_where_nothing_else_was_written(tmp_path: Path) -> None:
    class Roomy(Bench):
        kept: ClassVar = {3: 100}

    with pytest.MonkeyPatch.context() as patch:
        bench = Roomy(tmp_path, "nothing", patch)
        assert answered(bench.keep()).code == 0
        kinds = [wire.said(raw, 0) for raw in bench.heard]
        asked = kinds.index(wire.REQUEST, kinds.index(wire.HEADER))  # for its first packet
        bench.folder = "kept again"
        said = answered(bench.keep(stop=Stop("ctrl-c", "to the gear", asked + 1), typed="y\n"))

    assert (said.code, told(said)["restored"]) == (INTERRUPTED, [3])
    assert {*bench.gear.held} == {3}


def test_test_samples_go_from_a_unit_that_takes_no_short_ones(tmp_path: Path) -> None:
    class TakesNoShortOnes(NotingGear):
        def _take_header(self, raw: bytes, now_s: float) -> None:
            head = wire.head_of(raw)
            assert head is not None
            if head.length < 100:
                self._head = None
                self._answer(wire.CANCEL, 0, now_s)
            else:
                super()._take_header(raw, now_s)

    class Long(Bench):
        gear_of = TakesNoShortOnes
        kept: ClassVar = {3: 1_000}

    with pytest.MonkeyPatch.context() as patch:
        bench = Long(tmp_path, "nothing", patch)
        said = answered(bench.keep())

    assert (said.code, told(said)["restored"], {*bench.gear.held}) == (0, [3], {3})


def test_it_is_written_down_before_a_sample_is_written_once_more_to_learn_of_the_unit(
    tmp_path: Path,
) -> None:
    class Late(Bench):
        gear_of = LateGear
        bank = 4_608
        kept: ClassVar = {3: 100}
        times = 0

        def hear(self, raw: bytes) -> None:
            super().hear(raw)
            head = wire.head_of(raw)
            self.times += head is not None and (head.sample, head.length) == (0, 4_096)
            if self.times == 2:
                self.end_it("kill")

    with pytest.MonkeyPatch.context() as patch:
        assert Late(tmp_path, "nothing", patch).keep() is None

    assert record_of(tmp_path)[-1] == {"again": 1}


@pytest.mark.parametrize(
    ("way", "fault", "seed"),
    [
        ("killed", "address_line", 0),
        ("Ctrl-C, left for later", "address_line", 7),
        ("Ctrl-C, put back", "cells", 7),
        ("cable pulled", "nothing", 7),
    ],
)
def test_whatever_stops_it_what_was_kept_is_safe_and_the_verdict_stays(
    way: str, fault: str, seed: int
) -> None:
    trial(way, fault, seed)
