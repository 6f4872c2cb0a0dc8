"""One difference between two conversations in words."""

from emulator.wire.prose import capitalised, counted, instant, small_time, spelled
from harness.judge.conversation import Difference, Kind
from harness.judge.timed_messages import name_of


def sentence(difference: Difference, *, timed: bool) -> str:
    """Return one difference in words, with where it is."""
    said = difference.said
    where = f"message {said.number:,} {said.direction.value} ({name_of(said.piece)})"
    if timed:
        where += f", at {instant(said.start_ns)}"
    match difference.kind:
        case Kind.MISSING:
            return f"B lacks {where}."
        case Kind.EXTRA:
            return f"Only B has {where}."
        case Kind.ORDER:
            what = "comes in B before something that it follows in A"
        case Kind.LATER | Kind.EARLIER:
            by = small_time(abs(difference.by_ns))
            what = f"in B it comes {by} {difference.kind} after what comes before it"
        case Kind.GAPS:
            more = "more" if difference.by_ns > 0 else "less"
            what = f"its bytes come with {small_time(abs(difference.by_ns))} {more} of gaps in B"
        case Kind.REALTIME:
            what = "the real-time bytes inside are not the same"
        case Kind.OTHER:
            what = _bytes_words(difference)
    return f"{capitalised(where)}: {what}."


def _bytes_words(difference: Difference) -> str:
    assert difference.a is not None
    assert difference.b is not None
    a, b = difference.a.piece, difference.b.piece
    if name_of(a) != name_of(b):
        return f"B has {_with_article(name_of(b))} there ({spelled(b.body)})"
    places = [
        at for at, (one, other) in enumerate(zip(a.body, b.body, strict=False)) if one != other
    ]
    if not places:
        return f"it has {counted(len(a.body), 'byte')} in A and {len(b.body):,} in B"
    first = places[0]
    length = (
        "" if len(a.body) == len(b.body) else f"; {len(a.body):,} bytes in A, {len(b.body):,} in B"
    )
    return (
        f"{counted(len(places), 'byte')} of it {'is' if len(places) == 1 else 'are'} not the same, "
        f"first byte {first}: {a.body[first]:02X} in A, {b.body[first]:02X} in B{length}"
    )


def _with_article(name: str) -> str:
    first = name.split(maxsplit=1)[0]
    if first.isupper() or first == "bytes":  # ACK, NAK and the like are names
        return name
    return f"an {name}" if first[0] in "aeiou" else f"a {name}"
