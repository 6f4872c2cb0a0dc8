"""The words for how sure a cause is, beside the figures that are printed with them."""

from __future__ import annotations

import re

import pytest

from harness.diagnose import confidence
from harness.diagnose.confidence import MEASURED, Confidence, Measured
from harness.report.diagnose import how_sure


def printed(word: Confidence) -> float:
    (figure,) = re.findall(r"(\d+\.\d) %", how_sure(word))
    return float(figure)


@pytest.mark.parametrize(
    "measured",
    [
        dict(MEASURED),
        # whatever the next measurement brings
        {word: Measured(per_cent=96.0 + place, of=1000) for place, word in enumerate(Confidence)},
        {word: Measured(per_cent=99.99 - place, of=1000) for place, word in enumerate(Confidence)},
    ],
)
def test_no_weaker_word_is_printed_with_a_higher_figure_and_none_with_more_than_was_measured(
    measured: dict[Confidence, Measured], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(confidence, "MEASURED", measured)
    figures = [printed(word) for word in Confidence]
    assert figures == sorted(figures, reverse=True)
    for word, figure in zip(Confidence, figures, strict=True):
        assert measured[word].per_cent - 3.1 <= figure <= measured[word].per_cent
