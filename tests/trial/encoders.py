"""All encoders on which a check of encoders is measured; each file is one kind of them."""

from __future__ import annotations

from tests.trial import broken, closed, right, unnamed
from tests.trial.subject import Subject

BROKEN: tuple[Subject, ...] = (*broken.SUBJECTS, *closed.BROKEN)
UNNAMED: tuple[Subject, ...] = (*unnamed.SUBJECTS, *closed.UNNAMED)
RIGHT: tuple[Subject, ...] = (*right.SUBJECTS, *closed.RIGHT)
ALL: tuple[Subject, ...] = BROKEN + UNNAMED + RIGHT
