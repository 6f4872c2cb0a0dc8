"""The writer of a general-purpose audio library on trial, and every fault found in it.

libsndfile 1.2.2 through soundfile; the battery has no probe made for it.  Each was confirmed by
hand against the published text (M1 is the MIDI 1.0 Detailed Specification 4.2.1):

clause  what                                     smallest input     by hand
------  ---------------------------------------  -----------------  --------------------------------
PKT-08  behind the last word stands silence,     1 word, 0          M1 p. 39: a short last packet is
        40 00 00, in place of 00                                    filled up with zeros: after
                                                                    40 00 00 come 117 bytes of 00
WRD-12  a short last packet loses its words:     1 word, 1          1 + 32,768 = 8001 hex, pushed
        silence in place of some or all                             left by 5 (M1 p. 39): 40 00 20;
                                                                    40 00 00 is there
HDR-10  no loop is said as a forward loop from   no words           M1 p. 37: loop type 7F is off,
        0 to 0                                                      00 forward; bytes 13-19 are 00
HDR-05  the period is cut off: 22,675 ns for     no words           1,000,000,000 / 44,100 is
(note)  44,100 Hz                                                   22,675.74: nearer to 22,676
"""

from __future__ import annotations

from pathlib import Path

import pytest
import soundfile

from dryload.harness.judge.finding import Verdict
from dryload.harness.trial.shrink import shrink
from dryload.harness.trial.subject import subject_of
from dryload.harness.trial.trial import Trying
from tests.oracle import word_to_bytes
from tests.outside.test_soundfile import VERSION

WRITER = """
import io
import numpy as np
import soundfile

SUBTYPES = {8: "PCM_S8", 16: "PCM_16", 24: "PCM_24"}

def encode(words, *, bits, rate):
    if bits not in SUBTYPES:
        raise ValueError(f"no words of {bits} bits")
    target = io.BytesIO()
    full = (np.asarray(words).astype(np.int64) << (32 - bits)).astype(np.int32)
    soundfile.write(target, full, round(rate), format="SDS", subtype=SUBTYPES[bits])
    return target.getvalue()
"""


@pytest.mark.skipif(soundfile.__libsndfile_version__ != VERSION, reason=f"not of {VERSION}")
def test_the_faults_of_the_writer_are_those_of_the_table(tmp_path: Path) -> None:
    (tmp_path / "library.py").write_text(WRITER)
    subject = subject_of(f"{tmp_path / 'library.py'}:encode")
    try:
        trial = Trying(
            subject, (16, 8, 24), progress=lambda *_: None, wants_stop=lambda: False, limit_s=2.0
        ).run()
        found = {each.finding.clause: each for each in trial.faults}
        for each in trial.faults:
            shrink(each, subject)
    finally:
        subject.close()
    assert {clause: each.finding.verdict for clause, each in found.items()} == {
        "PKT-08": Verdict.BROKEN,
        "WRD-12": Verdict.BROKEN,
        "HDR-10": Verdict.BENT,
    }
    assert [each.finding.clause for each in trial.notes] == ["HDR-05"]
    assert trial.declined == {}
    smallest = {clause: each.smallest for clause, each in found.items()}
    assert {clause: task and len(task.words) for clause, task in smallest.items()} == {
        "PKT-08": 1,
        "WRD-12": 1,
        "HDR-10": 0,
    }
    assert all(each.reproduced for each in found.values())
    lost = smallest["WRD-12"]
    assert lost is not None
    right = word_to_bytes(int(lost.words[0]), lost.bits)
    assert found["WRD-12"].smallest_data[26 : 26 + len(right)] != right
