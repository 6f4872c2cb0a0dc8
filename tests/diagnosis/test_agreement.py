"""Nothing is wrong beside no broken finding, and `validate` says the same in every form."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import mido
import pytest
from msgspec.structs import replace

from dryload.emulator.dump.capture import Direction
from dryload.harness.diagnose.diagnose import Answer, diagnose
from dryload.harness.files.hex_text import read
from tests.diagnosis import agreement
from tests.diagnosis.agreement import (
    CONVERSATION,
    Agreement,
    hex_text,
    in_microseconds,
    midi_events,
    raw_bytes,
    said_of,
    to_unit_alone,
)
from tests.diagnosis.injector import cases
from tests.diagnosis.injector_kinds import Case

SEED = 41


def agreement_of(some: Iterable[Case], every: int) -> Agreement:
    """What some cases come to, each so-many-th written in every form; 0: none."""
    tally = Agreement()
    for place, case in enumerate(some):
        tally.add(case, in_every_form=bool(every) and place % every == 0)
    return tally


def test_nothing_is_wrong_beside_no_broken_finding() -> None:
    total = agreement_of(cases(SEED, range(300)), every=0)
    assert total.runs > 200
    assert total.broken > 40
    assert total.nothing == 0, total.missed


def test_what_is_said_of_bytes_is_the_same_in_every_form() -> None:
    total = agreement_of(cases(SEED, range(300, 400)), every=2)
    assert total.compared > 30
    assert total.unlike == 0, total.missed


def test_a_diagnosis_that_finds_nothing_beside_something_broken_is_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def blind(*capture: Any) -> Any:
        return replace(diagnose(*capture), answer=Answer.NOTHING_WRONG)

    monkeypatch.setattr(agreement, "diagnose", blind)
    total = agreement_of(cases(SEED, range(60)), every=0)
    assert total.nothing == total.broken > 0
    assert total.clauses.total() >= total.nothing
    assert total.missed


def test_forms_that_hold_other_bytes_are_not_judged_alike(tmp_path: Path) -> None:
    ends_early = frozenset({"sender gave up"})
    faulty = (each for each in cases(SEED, range(9)) if not each.is_clean)
    case = next(each for each in faulty if each.accepted != ends_early)
    whole = in_microseconds(case.recorded)
    shorter = {**CONVERSATION, "both.txt": lambda kept: hex_text(kept)[:-500]}
    said = said_of(whole, shorter, tmp_path)
    assert said["both.jsonl"] == said["both.mid"] != said["both.txt"]


def test_the_plain_forms_hold_the_bytes(tmp_path: Path) -> None:
    """A MIDI file by a reader that is not ours; it knows whole messages only."""
    case = next(each for each in cases(SEED, range(40)) if each.kind == "healthy")
    alone = to_unit_alone(case.recorded)
    path = tmp_path / "one.mid"
    path.write_bytes(midi_events(alone))
    sent = [m.bytes() for m in mido.MidiFile(path) if m.type == "sysex"]
    assert bytes(byte for each in sent for byte in each) == raw_bytes(case.recorded)
    both = in_microseconds(case.recorded)
    kept = read(hex_text(both).decode(), "text").capture
    assert kept.passages == both.capture.passages
    assert kept.bytes_of(Direction.TO_UNIT) == raw_bytes(case.recorded)


def test_two_counts_add_up_to_one() -> None:
    some = list(cases(SEED, range(30)))
    apart = Agreement()
    apart.merge(agreement_of(some[:13], every=0))
    apart.merge(agreement_of(some[13:], every=0))
    assert apart == agreement_of(some, every=0)


def test_order_without_times_is_as_exact_in_a_midi_file(tmp_path: Path) -> None:
    """A packet that follows its NAK at once: no time was rounded, so nothing excuses it."""
    found = (each for each in cases(SEED, range(400)) if each.kind == "NAK passed over")
    whole = in_microseconds(replace(next(found).recorded, is_timed=False))
    said = said_of(whole, CONVERSATION, tmp_path)
    assert "HSK-07" in str(said["both.jsonl"])
    assert said["both.jsonl"] == said["both.mid"] == said["both.txt"]
