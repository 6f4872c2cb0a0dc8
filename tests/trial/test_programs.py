"""Programs of other languages, asked line by line: one in C and one in JavaScript, both right."""

from __future__ import annotations

import shlex
import shutil
import subprocess
from contextlib import closing
from pathlib import Path

import pytest

from dryload.harness.trial.subject import subject_of
from dryload.harness.trial.task import Side
from dryload.harness.trial.trial import Trying
from tests.trial.test_decoders import WIDTHS, ShortReading, tried

HERE = Path(__file__).resolve().parent / "programs"


@pytest.fixture(scope="module")
def encoder(tmp_path_factory: pytest.TempPathFactory) -> str:
    if (compiler := shutil.which("cc") or shutil.which("gcc")) is None:
        pytest.skip("there is no C compiler here")
    made = tmp_path_factory.mktemp("encoder") / "encoder"
    source = HERE / "encoder.c"
    subprocess.run([compiler, "-O2", "-o", made, source, "-lm"], check=True)
    return str(made)


def test_an_encoder_in_c(encoder: str) -> None:
    with closing(subject_of(encoder)) as subject:
        trial = Trying(subject, WIDTHS, progress=lambda *_: None, wants_stop=lambda: False).run()
    assert trial.faults == []
    assert trial.dumps > 200


def test_a_decoder_in_javascript() -> None:
    if shutil.which("node") is None:
        pytest.skip("there is no node here")
    with closing(subject_of(f"node {HERE / 'decoder.mjs'}", side=Side.DECODER)) as subject:
        trial = tried(subject, WIDTHS)
    assert trial.faults == []
    assert trial.dumps > 200


@pytest.mark.parametrize(
    ("answer", "kind"),
    [
        ("not JSON", "crashes"),
        ('{"words": "none", "bits": 16, "rate": 44100}', "crashes"),
        ('{"rate": 44100}', "crashes"),
    ],
)
def test_a_line_that_is_no_answer_is_told(answer: str, kind: str) -> None:
    line = shlex.join(["sh", "-c", 'while read -r line; do echo "$0"; done', answer])
    with closing(subject_of(line, side=Side.DECODER)) as subject:
        trial = tried(subject, (16,), ShortReading)
    assert [each.finding.kind for each in trial.faults] == [kind]
    assert "is no answer" in trial.faults[0].finding.message
