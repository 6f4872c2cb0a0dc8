"""Words for people that several files of the room need."""

from collections.abc import Sequence


def listed(values: Sequence[object], last: str = "or") -> str:
    """Return values as people list them: "8, 12 or 16"."""
    texts = [str(value) for value in values]
    return f" {last} ".join([", ".join(texts[:-1]), texts[-1]] if len(texts) > 1 else texts)


def counted(count: int, thing: str) -> str:
    """Return how many there are of a thing: "1 word", "1,234 words"."""
    return f"{count:,} {thing}" if count == 1 else f"{count:,} {thing}s"
