"""Forms of words: fixed words and slots in a row, such as "data line N of bank N loose".

Between two words of a text there may be "the".
"""

import re
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any, Final

_UNITS: Final = {
    "ns": 1,
    "us": 1_000,
    "ms": 1_000_000,
    "s": 1_000_000_000,
    "second": 1_000_000_000,
    "seconds": 1_000_000_000,
    "min": 60_000_000_000,
    "minute": 60_000_000_000,
    "minutes": 60_000_000_000,
}
FormSlot = tuple[str, Callable[[str], Any]]
"""What a slot looks like in small letters, and what gives its value."""


def nanoseconds(text: str) -> int:
    """Return the time that a TIME says; ValueError for anything else."""
    found = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)\s*([a-z]+)", text)
    if found is None:
        raise ValueError(f"{text} is no time")
    return int(Fraction(found[1]) * _UNITS[found[2]])


NUMBERS: Final[Mapping[str, FormSlot]] = {
    "N": (r"([0-9]{1,9})", int),
    "TIME": (rf"([0-9]{{1,9}}(?:\.[0-9]{{1,9}})?\s*(?:{'|'.join(_UNITS)})\b)", nanoseconds),
}
"""The slots for numbers: N a whole one, TIME nanoseconds."""


def pattern(form: str, slots: Mapping[str, FormSlot] = NUMBERS) -> re.Pattern[str]:
    """Return what a form looks like in a text of small letters."""
    tokens = [
        slots[token][0] if token in slots else re.escape(token)
        for token in form.split()
        if token != "the"
    ]
    return re.compile(r"\s+(?:the\s+)?".join(tokens) + r"(?![\w.])")
