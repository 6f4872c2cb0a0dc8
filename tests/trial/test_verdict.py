"""What is said of each encoder's dump of its own smallest input, and a few whole trials."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec import structs

from dryload.harness.judge.finding import Verdict
from dryload.harness.trial.battery import battery
from dryload.harness.trial.packing import packed_otherwise, packed_right
from dryload.harness.trial.subject import subject_of
from dryload.harness.trial.task import Task
from dryload.harness.trial.trial import ClauseStanding, Conduct, Trial, Trying, file_clauses
from dryload.harness.trial.verdict import judged
from tests import oracle
from tests.trial.__main__ import is_right_first
from tests.trial.encoders import ALL, BROKEN, RIGHT
from tests.trial.subject import DECLINES_TYPE, Given, Subject, as_bytes, call, spread, takes

BY_DUMP = [each for each in BROKEN if len(each.shows) == 1]


def task_of(asked: Given) -> Task:
    return Task(
        words=np.asarray(asked.words).astype(np.int32),
        bits=asked.bits,
        rate=asked.rate,
        number=asked.number,
        device_id=asked.device_id,
        loop=asked.loop,
        name=asked.name,
    )


@pytest.mark.parametrize("one", BY_DUMP, ids=lambda one: one.name)
def test_the_dump_of_a_broken_one_is_judged_by_its_clause(one: Subject) -> None:
    (smallest,) = one.shows
    longer = structs.replace(
        smallest, words=np.concatenate([smallest.words, spread(50, smallest.bits)])
    )
    firsts = []
    for asked in (smallest, longer):
        found = judged(task_of(asked), as_bytes(call(one.make(), asked))).findings
        firsts += [each.clause for each in found[:1]]
        try:
            data = as_bytes(call(one.reference(), asked))
        except DECLINES_TYPE:
            continue
        right = judged(task_of(asked), data).findings
        assert [each for each in right if each.verdict is not Verdict.NOTED] == []
    assert set(firsts) & set(one.clauses)


@pytest.mark.parametrize("one", RIGHT, ids=lambda one: one.name)
def test_the_dump_of_a_right_one_is_not_condemned(one: Subject) -> None:
    encode = one.make()
    for asked in one.shows:
        if asked.words.dtype.kind != "i":
            continue
        try:
            data = as_bytes(call(encode, asked))
        except DECLINES_TYPE:
            continue
        found = judged(task_of(asked), data, tuple(takes(encode))).findings
        assert [each for each in found if each.verdict is Verdict.BROKEN] == []


@pytest.mark.parametrize("bits", range(8, 29))
def test_words_are_packed_as_the_plain_codec_packs_them(bits: int) -> None:
    half = 1 << (bits - 1)
    words = [-half, half - 1, 0, 1, -1, half // 3, -half // 3]
    assert packed_right(np.array(words, np.int32), bits) == oracle.words_to_bytes(words, bits)
    data = np.frombuffer(oracle.words_to_bytes(words, bits).ljust(120, b"\0"), np.uint8)
    assert packed_otherwise(np.array(words, np.int32), bits, data) is None


def tried(name: str) -> Trial:
    place = [each.name for each in ALL].index(name)
    subject = subject_of(f"tests.trial.on_trial:s{place}")
    try:
        # Nothing long: the limit is that of a probe, and no call comes near it.
        return Trying(
            subject, (16,), limit_s=1.0, progress=lambda *_: None, wants_stop=lambda: False
        ).run()
    finally:
        subject.close()


@pytest.mark.parametrize(
    "name",
    [
        "packet numbers go on from the dump before",
        "a dump changes when the next one is made",
        "the array that was handed over is offset binary afterwards",
        "the fraction of the rate is lost where the system writes a decimal comma",
        "64-bit words are read as two words each",
    ],
)
def test_what_one_dump_cannot_show_is_found(name: str) -> None:
    (one,) = [each for each in ALL if each.name == name]
    assert is_right_first(tried(name).faults[0], one.clauses, one.about)


def test_a_right_one_accounts_for_every_clause_of_a_file() -> None:
    trial = tried("a list of messages")
    rows = {row.clause: row for row in trial.rows()}
    assert trial.faults == []
    assert list(rows) == file_clauses()
    assert {row.standing for row in rows.values()} == {
        ClauseStanding.HOLDS,
        ClauseStanding.NOT_TRIED,
    }
    assert all(row.why for row in rows.values() if row.standing is ClauseStanding.NOT_TRIED)
    assert Conduct.REMEMBERS not in {fault.finding.kind for fault in trial.notes}


def test_probes_tell_every_length_and_every_value() -> None:
    """Each remainder of a packet of forty words (WRD-02), both sides of its seams and of the wrap
    of the packet numbers (PKT-03), and each of the 65,536 values of 16 bits."""
    probes = list(battery(("bits", "rate", "number", "device_id", "loop", "name"), widths=(16,)))
    lengths = {len(each.task.words) for each in probes}
    assert lengths >= {
        *range(82),
        127 * 40,
        128 * 40 - 1,
        128 * 40,
        128 * 40 + 1,
        65_537,
        2**21 - 1,
    }
    assert any(len(np.unique(each.task.words)) == 1 << 16 for each in probes)
    assert {each.task.number for each in probes} >= {0, 127, 128, 16_383}
