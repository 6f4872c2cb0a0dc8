"""Usage errors in one line that says what is wrong and where to look."""

import re
from typing import Final

from dryload.harness.files.opening import shown

# What the library says, and how we say it; other messages are passed on unchanged.
_TELLING: Final[tuple[tuple[str, str], ...]] = (
    (r"No such option:? '?([^\s']+?)'?\.?(?: .*)?", "there is no option {}"),
    (r"Missing (?:argument|option|parameter) (.*)\.", "{} is missing"),
    (r"Got unexpected extra arguments?(?:\(s\))? \((.*)\)", "too many words: {}"),
    (r"Option '(.*)' requires an argument\.?", "{} needs a value"),
    (r"Option '(.*)' does not take a value\.?", "{} takes no value"),
    (r"Invalid value for (.*): .*valid integer.*", "{} needs a whole number"),
    (r"Invalid value for (.*): \S+ is not in the range x>=(\S+)\.", "{} must be {} or more"),
    (r"Invalid value for (.*): \S+ is not in the range (\d+)<=x<=(\d+)\.", "{} must be {} to {}"),
    (
        r"Invalid value for (.*?): (?:Value error, )?'(.*)' is not one of (.*)\.",
        "{} {}: there are {}",
    ),
)


def usage_line(message: str, command: str, near: list[str]) -> str:
    """Return one line for a usage error; `near` holds similar names that may have been meant."""
    flat = shown(" ".join(message.split()))
    matches = ((re.fullmatch(pattern, flat), says) for pattern, says in _TELLING)
    what = next(
        (says.format(*map(_plain, found.groups())) for found, says in matches if found),
        flat.rstrip("."),
    )
    if near:
        what += f". Did you mean {' or '.join(sorted(near))}?"
    return f"{what}{'' if what.endswith('?') else '.'} See {command} --help."


def _plain(quoted: str) -> str:
    return quoted.replace("' / '", " or ").replace("'", "").removesuffix("...")
