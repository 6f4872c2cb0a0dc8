"""Whether a trial tells broken decoders from odd ones, and what it says of each first.

`python -m tests.trial.test_decoders` has each read the whole battery at all widths.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Mapping, Sequence

import pytest

import dryload
from dryload.harness.files.problem import Problem
from dryload.harness.judge.finding import Verdict
from dryload.harness.trial.decoder_trial import TryingDecoder
from dryload.harness.trial.subject import Subject as OnTrial
from dryload.harness.trial.subject import subject_of
from dryload.harness.trial.task import AnyTask, CallAnswer, DumpTask, Side
from dryload.harness.trial.trial import AnyProbe, Trial
from dryload.harness.trial.worker import Decoder
from tests.trial.decoders import SUBJECTS, Subject

WIDTHS = (16, 8, 12, 14, 24, 28)
SHORT = 20_000  # words


class Here:
    """A decoder in this process, which is quicker to start."""

    parameters = ()
    is_command = False

    def __init__(self, subject: Subject) -> None:
        self._subject = subject
        self._decoder = Decoder(subject.make())

    def answer(self, task: AnyTask) -> CallAnswer:
        assert isinstance(task, DumpTask)
        return self._decoder.answer(task)

    def fresh(self, surroundings: Mapping[str, str] | None = None) -> Here:
        return Here(self._subject)

    def close(self) -> None:
        pass


class ShortReading(TryingDecoder):
    def _probes(self) -> Sequence[AnyProbe]:
        return [each for each in super()._probes() if each.task.size < SHORT]


def tried(
    subject: OnTrial, widths: Sequence[int], kind: type[TryingDecoder] = TryingDecoder
) -> Trial:
    return kind(subject, widths, progress=lambda *_: None, wants_stop=lambda: False).run()


def told(trial: Trial) -> list[str]:
    return [
        f"{each.finding.verdict} {each.finding.clause} {each.finding.kind} x{each.probes}: "
        f"{each.finding.message}"
        for each in trial.faults
    ]


def is_right_first(subject: Subject, trial: Trial) -> bool:
    if not trial.faults:
        return False
    first = trial.faults[0].finding
    return first.clause in subject.first or first.kind in subject.first


def is_condemned(trial: Trial) -> bool:
    return any(each.finding.verdict is Verdict.BROKEN for each in trial.faults)


@pytest.mark.parametrize("subject", SUBJECTS, ids=lambda each: each.name)
def test_what_is_wrong_is_told_first_and_nobody_right_is_condemned(subject: Subject) -> None:
    trial = tried(Here(subject), WIDTHS, ShortReading)
    assert trial.dumps > 0
    assert is_condemned(trial) == (subject.verdict == "broken"), told(trial)
    if subject.verdict != "right":
        assert is_right_first(subject, trial), told(trial)


def own(data: bytes) -> object:
    try:
        sample = dryload.decode(data)
    except Problem as problem:
        raise ValueError(str(problem)) from problem
    loop = sample.sustain.start, sample.sustain.end, sample.sustain.loop_type
    return {
        "words": sample.words,
        "bits": sample.bits,
        "rate": float(sample.rate),
        "loop": loop,
        "name": sample.name,
    }


def test_our_own_decoder_has_no_fault() -> None:
    subject = Subject(name="", make=lambda: own, verdict="right")
    trial = tried(Here(subject), WIDTHS, ShortReading)
    assert told(trial) == []


def main() -> None:
    counts: Counter[str] = Counter()
    for place, each in enumerate(SUBJECTS):
        subject = subject_of(f"tests.trial.decoders:d{place}", side=Side.DECODER)
        try:
            trial = tried(subject, (16, *(bits for bits in range(8, 29) if bits != 16)))
        finally:
            subject.close()
        well = not is_condemned(trial) if each.verdict == "right" else is_right_first(each, trial)
        counts[each.verdict] += 1
        counts[f"{each.verdict}, told right"] += well
        print(f"{' ' if well else '!'} {each.verdict:6} {each.name} [{trial.calls} calls, "
              f"{trial.took_s:.1f} s]")  # fmt: skip
        if not well:
            print(*told(trial)[:4], sep="\n      ")
        sys.stdout.flush()
    for name, count in counts.items():
        print(f"{name}: {count}")


if __name__ == "__main__":
    main()
