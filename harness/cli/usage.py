"""Usage errors in one line that says what is wrong and where to look."""

import re
from collections.abc import Callable
from typing import Final

from harness.files.opening import shown

_Say = Callable[[re.Match[str]], str]

# What the library says, and how we say it; other messages are passed on unchanged.
_TELLING: Final[tuple[tuple[str, _Say], ...]] = (
    (r"No such option:? '?([^\s']+?)'?\.?(?: .*)?", lambda m: f"there is no option {m[1]}"),
    (
        r"No such command '(.*?)'\.?(?: Did you mean (.*)\?)?",
        lambda m: f"there is no command {m[1]}{_perhaps(_nearest(m[2] or ''))}",
    ),
    (r"Missing (?:argument|option|parameter) (.*)\.", lambda m: f"{_plain(m[1])} is missing"),
    (r"Got unexpected extra arguments?(?:\(s\))? \((.*)\)", lambda m: f"too many words: {m[1]}"),
    (r"Option '(.*)' requires an argument\.?", lambda m: f"{m[1]} needs a value"),
    (r"Option '(.*)' does not take a value\.?", lambda m: f"{m[1]} takes no value"),
    (
        r"Invalid value for (.*): .*valid integer.*",
        lambda m: f"{_plain(m[1])} needs a whole number",
    ),
    (
        r"Invalid value for (.*): Input should be greater than or equal to (\S+)",
        lambda m: f"{_plain(m[1])} must be {m[2]} or more",
    ),
    (
        r"Invalid value for (.*): Input should be less than or equal to (\S+)",
        lambda m: f"{_plain(m[1])} must be {m[2]} or less",
    ),
    (
        r"Invalid value for (.*?): (?:Value error, )?'(.*)' is not one of (.*)\.",
        lambda m: f"{_plain(m[1])} {m[2]}: there are {_plain(m[3])}",
    ),
)


def usage_line(message: str, command: str, near: list[str]) -> str:
    """Return one line for a usage error; `near` holds similar names that may have been meant."""
    flat = shown(" ".join(message.split()))
    what = next(
        (say(found) for pattern, say in _TELLING if (found := re.fullmatch(pattern, flat))),
        flat.rstrip("."),
    )
    whole = f"{what}{_perhaps(sorted(near))}"
    return f"{whole}{'' if whole.endswith('?') else '.'} See {command} --help."


def _perhaps(near: list[str]) -> str:
    return f". Did you mean {' or '.join(near)}?" if near else ""


def _nearest(text: str) -> list[str]:
    return re.findall("'(.*?)'", text)[:1]  # the nearest comes first


def _plain(quoted: str) -> str:
    return quoted.replace("' / '", " or ").replace("'", "").removesuffix("...")
