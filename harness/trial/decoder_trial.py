"""A trial of a decoder: right dumps first, then those that are odd, open or damaged."""

import re
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from dryload.harness.trial.changes import changed_dumps
from dryload.harness.trial.decoder_verdict import read
from dryload.harness.trial.dumps import Ask, DumpProbe, good_dumps
from dryload.harness.trial.task import CallAnswer, DumpTask, Side
from dryload.harness.trial.trial import AnyProbe, Trying
from dryload.harness.trial.verdict import NOTHING_FOUND, AnswerVerdict

_CHANGING: Final = re.compile(r"\w*\d\w*")


class TryingDecoder(Trying):
    """One trial of a decoder, as it goes on."""

    side = Side.DECODER

    def __init__(self, *given: Any, **more: Any) -> None:
        super().__init__(*given, **more)
        self._sayings: Final = {""}
        self._plain: Final[dict[bytes, CallAnswer]] = {}

    def _probes(self) -> Sequence[AnyProbe]:
        widths = self.trial.widths
        good = good_dumps(widths, is_command=self._subject.is_command)
        return [
            *sorted(good, key=lambda each: each.task.size),
            *sorted(changed_dumps(widths[0]), key=lambda each: each.task.size),
        ]

    def _judged(self, probe: AnyProbe, answer: CallAnswer) -> AnswerVerdict:
        assert isinstance(probe, DumpProbe)
        if answer.heard is not None and probe.ask is Ask.MUST:
            self._sayings.add(_usual(answer.heard.warnings))
        verdict = read(probe, answer, lambda said: _usual(said) not in self._sayings)
        is_misread = verdict.findings and probe.ask is not Ask.DAMAGED
        if is_misread and probe.beside is not None and self._reads_alike(answer, probe.beside):
            return NOTHING_FOUND  # what is wrong is not what is unusual about it
        return verdict

    def _reads_alike(self, answer: CallAnswer, beside: DumpTask) -> bool:
        """Whether the same words come of the dump without what is unusual."""
        if beside.data not in self._plain:
            self._plain[beside.data] = self._subject.answer(beside)
        heard, plain = answer.heard, self._plain[beside.data].heard
        return heard is not None and plain is not None and np.array_equal(heard.words, plain.words)


def _usual(said: str) -> str:
    """Return what is said without what is another number or name each time."""
    return _CHANGING.sub("#", said)
