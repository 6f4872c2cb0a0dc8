"""What is reported of disturbances is the truth: what differs was struck, and nothing else."""

from __future__ import annotations

from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.link import link_named
from dryload.harness.faults.reading import read_all, read_words
from tests.line.players import FROM, TO
from tests.line.told import DUMP, REPLIES, Told, plain

EFFECTS = [
    "flip a bit",
    "flip two bits of a column",
    "lose a byte",
    "lose 3 bytes",
    "add a byte",
    "add F8",
    "add 90 3c 40",
    "swap two bytes",
    "set a high bit",
    "noise of 4 bytes",
    "lose",
    "repeat",
    "cut",
    "cut after 5 bytes",
    "split into pieces of 4 bytes",
    "delay by 3 ms",
    "jitter of up to 4 ms",
    "slow line at 80 percent",
    "drift of 5 percent",
    "pause of 2 ms",
    "clock at 300",
    "active sensing",
    "reset",
    "a note inside",
    "notes in front of",
]
PLACES = [
    "packet 3",
    "packets 2 to 9",
    "packets from 8 on",
    "every 3rd packet",
    "every packet",
    "header",
    "replies",
    "the reply to packet 5",
    "the reply to the header",
    "every 4th message",
    "messages both ways",
    "message 6 from the unit",
    "messages between 500 ms and 1.1 s",
    "packets from 900 ms on",
    "messages at 1.21 s",
    "packets until 1 s",
]
ENDINGS = [
    "",
    ", with chance 1 in 3",
    ", at most 2 times",
    ", once, seed 8",
    ", with chance 1 in 2, seed 5",
]
WORDS = st.builds(
    lambda effect, place, ending: f"{effect} in {place}{ending}",
    st.sampled_from(EFFECTS),
    st.sampled_from(PLACES),
    st.sampled_from(ENDINGS),
).map(lambda text: text.replace("of in", "of"))


ODD = st.one_of(
    st.sampled_from([*DUMP[:4], *REPLIES[:3], b"\xf8", b"\x90\x40\x7f", b"\xf0\x7e", b"\x01\x02"]),
    st.binary(min_size=1, max_size=40),
)
ANYTHING = st.one_of(
    WORDS,
    st.builds(
        lambda effect, place: f"{effect} {place}",
        st.sampled_from(["reorder", "join", "echo", "answer nak in", "wrong device in"]),
        st.sampled_from([*PLACES, "messages both ways", "every 2nd message both ways"]),
    ),
    st.sampled_from(["unplug at 30 ms", "unplug at 10 ms for 60 ms both ways", "jitter of 90 ms"]),
)


def told(texts: list[str]) -> Told:
    placed = [read_words(text).means for text in texts]
    assert all(isinstance(each, Disturbance) for each in placed)
    return Told(*(each for each in placed if isinstance(each, Disturbance)), back=REPLIES)


def differing(result: Told) -> set[tuple[object, int]]:
    there = {(TO, at) for at, slot in enumerate(result.slots) if slot != plain(DUMP[at])}
    back = {(FROM, at) for at, slot in enumerate(result.answers) if slot != plain(REPLIES[at])}
    return there | back


@settings(max_examples=120, deadline=None)
@given(WORDS)
def test_one_disturbance_struck_what_differs_and_nothing_else(text: str) -> None:
    result = told([text])
    assert {(each.direction, each.message) for each in result.struck} == differing(result), text


@settings(max_examples=60, deadline=None)
@given(st.lists(WORDS, min_size=2, max_size=4, unique=True))
def test_of_several_nothing_else_differs(texts: list[str]) -> None:
    result = told(texts)
    struck = {(each.direction, each.message) for each in result.struck}
    assert differing(result) <= struck, texts
    again = told(texts)
    assert (again.there, again.back, again.struck) == (result.there, result.back, result.struck)


@settings(max_examples=60, deadline=None)
@given(WORDS, st.sampled_from(PLACES))
def test_what_one_strikes_does_not_hang_on_another(one: str, place: str) -> None:
    assume("swap" not in one)  # it looks at values to find two that differ
    other = f"flip a bit in {place}"
    assume(one != other)
    together = [each for each in told([other, one]).struck if each.said == one]
    assert together == [each for each in told([one]).struck if each.said == one]


@settings(max_examples=150, deadline=None)
@given(
    st.lists(ANYTHING, max_size=3, unique=True),
    st.integers(0, 1_500),
    st.integers(1, 600),
    st.booleans(),
)
@example(texts=["reorder packet 3"], from_ms=1_001, for_ms=40, is_first=False)
@example(texts=["slow line at 30 percent"], from_ms=50, for_ms=500, is_first=True)
def test_while_the_plug_is_out_nothing_arrives_whatever_else_happens(
    texts: list[str], from_ms: int, for_ms: int, is_first: bool
) -> None:
    unplug = f"unplug at {from_ms} ms for {for_ms} ms both ways"
    assume(not any("echo" in text for text in texts))  # nobody has sent what comes back
    placed = read_all([unplug, *texts] if is_first else [*texts, unplug]).placed
    result = Told(*placed, back=REPLIES)
    start_ns, end_ns = from_ms * 1_000_000, (from_ms + for_ms) * 1_000_000
    arrived = [at_ns for at_ns, _ in (*result.there, *result.back)]
    assert [at_ns for at_ns in arrived if start_ns < at_ns < end_ns] == []


def test_without_any_nothing_differs() -> None:
    assert differing(Told(back=REPLIES)) == set()


@settings(max_examples=150, deadline=None)
@given(
    st.lists(ANYTHING, max_size=4, unique=True),
    st.lists(ODD, min_size=1, max_size=6),
    st.lists(ODD, max_size=6),
    st.sampled_from([None, "usb", "joins", "echo", "splits-5", "every-3rd-both-ways"]),
)
def test_whatever_passes_it_arrives_in_order_and_not_before_it_went(
    texts: list[str], there: list[bytes], back: list[bytes], link: str | None
) -> None:
    placed = [read_words(text).means for text in texts]
    slot_ns = 7_000_000  # messages crowd and queue
    line_link = None if link is None else link_named(link)
    result = Told(
        *(each for each in placed if isinstance(each, Disturbance)),
        there=there,
        back=back,
        slot_ns=slot_ns,
        link=line_link,
    )
    for direction in (TO, FROM):
        passages = [p for p in result.line.capture.passages if p.direction is direction]
        assert [p.end_ns for p in passages] == sorted(p.end_ns for p in passages)
    ends = [p.end_ns for p in result.line.capture.passages]
    assert ends == sorted(ends)
    for struck in result.struck:
        assert struck.at_ns >= 0
