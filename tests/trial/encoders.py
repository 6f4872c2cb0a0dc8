"""All encoders on which a check of encoders is measured; each file is one kind of them."""

from __future__ import annotations

from tests.trial import broken, right, unnamed
from tests.trial.subject import Subject

BROKEN: tuple[Subject, ...] = tuple(broken.SUBJECTS)
UNNAMED: tuple[Subject, ...] = tuple(unnamed.SUBJECTS)
RIGHT: tuple[Subject, ...] = tuple(right.SUBJECTS)
ALL: tuple[Subject, ...] = BROKEN + UNNAMED + RIGHT
