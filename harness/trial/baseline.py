"""The faults of an encoder that are known, as a file: a new one is told, and one that is gone."""

import json
from collections.abc import Sequence
from typing import Final

from msgspec import Struct

from dryload.harness.files import safe_write
from dryload.harness.files.opening import shown, source
from dryload.harness.files.problem import Problem
from dryload.harness.trial.trial import TrialFault

SCHEMA: Final = "dryload/known-faults/1"
_LARGEST: Final = 1 << 20


class Changes(Struct, frozen=True, kw_only=True):
    """What is otherwise than it was written down."""

    new: tuple[str, ...]
    """Faults that were not known: clause and kind."""
    gone: tuple[str, ...]
    """Faults that were known and happen no more, as they were told then."""

    @property
    def is_as_known(self) -> bool:
        """Whether nothing changed."""
        return not (self.new or self.gone)


def record(path: str, faults: Sequence[TrialFault], *, overwrite: bool) -> None:
    """Write down the faults that are known."""
    known = {key: each.finding.message for each in faults for key in each.keys}
    document = {"schema": SCHEMA, "faults": known}
    text = json.dumps(document, indent=2, sort_keys=True) + "\n"
    safe_write.write(path, text.encode(), overwrite=overwrite)


def compare(path: str, faults: Sequence[TrialFault]) -> Changes:
    """Compare with the faults of a file; a Problem for a file that is no list of them."""
    with source(path) as file:
        text = file.read(_LARGEST)
    try:
        document = json.loads(text)
        known = document["faults"]
        if document["schema"] != SCHEMA or not isinstance(known, dict):
            raise ValueError
    except (ValueError, KeyError, TypeError) as problem:
        raise Problem(
            f"{shown(path)} is no list of known faults.",
            do="--baseline writes one where there is no such file.",
        ) from problem
    here = {key for each in faults for key in each.keys}
    return Changes(
        new=tuple(sorted(here - known.keys())),
        gone=tuple(f"{key}: {said}" for key, said in known.items() if key not in here),
    )
