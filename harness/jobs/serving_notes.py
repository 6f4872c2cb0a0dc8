"""What happened at a served unit, told so that a flood of it stays readable and small."""

from collections import deque
from collections.abc import Callable, Mapping
from typing import Final

from harness.jobs.serving_view import Note

_KEPT: Final = 64
_A_SECOND: Final = 20  # notes of one event that are told in a second
_OFTEN: Final = {"peer": 200}  # who comes and goes is worth knowing each time
_SECOND_NS: Final = 1_000_000_000

Teller = Callable[[Note], None]
"""Hears of every note when it is made."""


class Notes:
    """Keeps the last notes and tells each; of one event at most 20 in a second."""

    def __init__(self, teller: Teller | None) -> None:
        self.recent: Final[deque[Note]] = deque(maxlen=_KEPT)
        self._teller: Final = teller
        self._counts: Final[dict[str, tuple[int, int]]] = {}  # event: (its second began, told)
        self._left_out: Final[dict[str, int]] = {}

    def add(
        self, time_ns: int, event: str, text: str, facts: Mapping[str, object] | None = None
    ) -> None:
        """Tell of one thing; what is left out is counted, and the next one says how many."""
        began_ns, told = self._counts.get(event, (time_ns, 0))
        if time_ns - began_ns >= _SECOND_NS:
            began_ns, told = time_ns, 0
        self._counts[event] = (began_ns, told + 1)
        if told >= _OFTEN.get(event, _A_SECOND):
            self._left_out[event] = self._left_out.get(event, 0) + 1
            return
        all_facts = dict(facts or {})
        if left_out := self._left_out.pop(event, 0):
            all_facts["left_out"] = left_out
            text = f"{text} ({left_out:,} more like this before it)"
        note = Note(time_ns=time_ns, event=event, text=text, facts=all_facts)
        self.recent.append(note)
        if self._teller is not None:
            self._teller(note)
