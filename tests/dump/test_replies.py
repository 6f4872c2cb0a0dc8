"""The reply matcher alone: exchanges as a person would write them down, and what they come to.

`>3` packet 3 is handed over and leaves 40 ms later, `>h` the header; `>>3` it goes out once more.
`+5` so many ms pass; `A7` is ACK 7, `N7` NAK 7, `W7` WAIT 7; `!` its limit passes.  A reply comes
at the time reached by then; before `=` the message in question is still on its way.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.replies import Limits, Match, Meaning, ReplyMatcher

MS = 1_000_000
CALLED_FOR = 300


class Talk:
    """Reads such an exchange to a matcher and keeps its verdicts."""

    def __init__(self, *, patient: bool = True, strict: bool = False) -> None:
        self.replies = ReplyMatcher(Limits(), called_for=CALLED_FOR, patient=patient, strict=strict)
        self.now_ns = 0
        self.said: list[str] = []

    def read(self, script: str) -> list[str]:
        for word in script.split():
            getattr(self, f"_{word[0]}".translate(NAMES))(word[1:])
        return self.said

    def _again(self, rest: str) -> None:
        self.replies.send_again()
        self.replies.is_out = True

    def _send(self, rest: str) -> None:
        if rest[0] == ">":
            self._again(rest)
            return
        packet = None if rest == "h" else int(rest)
        self.replies.send(packet, 0 if packet is None else packet % 128)
        self.replies.is_out = True

    def _pass(self, rest: str) -> None:
        self.now_ns += int(float(rest) * MS)

    def _leave(self, rest: str) -> None:
        self.now_ns += (7 if self.replies.packet is None else 40) * MS
        self.replies.left(self.now_ns)

    def _ack(self, rest: str) -> None:
        match = self.replies.ack(int(rest), self.now_ns)
        self.said.append(match.name)
        if match is Match.ANSWER:
            self.replies.answered(self.now_ns)
        elif match in (Match.UNSETTLED, Match.BEFORE):
            self.replies.count_anew(self.now_ns)

    def _nak(self, rest: str) -> None:
        match = self.replies.nak(int(rest))
        self.said.append(f"N {match.name}")
        if match is Match.ANSWER:
            self.replies.rejected(self.now_ns)

    def _wait(self, rest: str) -> None:
        self.replies.hold(self.now_ns)

    def _due(self, rest: str) -> None:
        limit_ns = self.replies.limit_ns
        assert limit_ns is not None
        self.now_ns = max(self.now_ns, limit_ns)
        meaning = self.replies.overdue(self.now_ns)
        self.said.append(meaning.name)
        if meaning is Meaning.ANSWERED:
            self.replies.answered(self.now_ns)


NAMES = str.maketrans(
    {">": "send", "+": "pass", "=": "leave", "A": "ack", "N": "nak", "W": "wait", "!": "due"}
)
OPEN = ">h = +4 A0 "  # answered as by a unit on a line: nothing out of the ordinary
QUICK = ">h = +0.5 A0 "  # answered before a line could have carried the answer


NUMBERS: dict[str, Callable[[int], int]] = {
    "n": lambda n: n,
    "n + 1": lambda n: n + 1,
    "n - 1": lambda n: n - 1,
    "n + 2": lambda n: n + 2,
    "0": lambda n: 0,
    "127": lambda n: 127,
    "7nn + 3": lambda n: 7 * n * n + 3,
}


def after(count: int, numbers: str) -> str:
    """Return an exchange of so many packets whose ACKs bear such numbers."""
    number = NUMBERS[numbers]
    return OPEN + "".join(f">{n} = +3 A{number(n) % 128} " for n in range(count))


EXCHANGES = {
    # the number of the packet
    OPEN + ">0 = +3 A0 >1 = +3 A1": "ANSWER ANSWER ANSWER",
    after(3, "n") + ">3 = +3 A2": "ANSWER " * 4 + "LATE",
    after(3, "n") + ">3 = +3 A9 !": "ANSWER " * 4 + "OTHER ANSWERED",
    # it answers nothing before it was heard: not the second ACK to the header, nor a copy of it
    OPEN + ">0 +2 A0 = +3 A0": "ANSWER EARLY ANSWER",
    OPEN + ">0 +2 A0 = !": "ANSWER EARLY DOUBTFUL",
    OPEN + ">0 +2 A0 = ! >>0 = +3 A0 >1 = +3 A1": "ANSWER EARLY DOUBTFUL ANSWER ANSWER",
    # unless the port is quicker than a line
    QUICK + ">0 +2 A0": "ANSWER ANSWER",
    OPEN + ">0 +2 A0 = ! >>0 +2 A0 = ! >1 +1 A1": (
        "ANSWER EARLY DOUBTFUL UNSETTLED ANSWERED ANSWER"
    ),
    ">h +1 A0 >0 +2 A0": "ANSWER ANSWER",
    # the next one's number
    after(3, "n + 1") + ">3 = +3 A3": "ANSWER " * 4 + "LATE",
    after(3, "n + 1") + ">3 = +3 A4": "ANSWER " * 5,
    # the one before
    after(3, "n - 1") + ">3 = +3 A1": "ANSWER " * 4 + "LATE",
    after(3, "n - 1") + ">3 = +3 A2": "ANSWER " * 5,
    # always the same, and none: the first that comes when it can have been answered
    after(5, "127"): "ANSWER " * 6,
    after(5, "7nn + 3"): "ANSWER " * 6,
    OPEN + ">0 = +3 A0 >1 = +3 A0 ! >2 = +3 A0": "ANSWER ANSWER OTHER ANSWERED ANSWER",
    after(4, "127") + ">4 +2 A127 = ! >>4 = ! !": "ANSWER " * 5 + "EARLY DOUBTFUL WAIT_ON LOST",
    # a packet was lost: nothing answers it
    after(4, "127") + ">4 = ! ! >>4 = +3 A127 >5 = +3 A127": "ANSWER " * 5
    + "WAIT_ON LOST ANSWER ANSWER",
    # its ACK came late, while the copy was on its way: no other packet goes before the copy's
    after(4, "127") + ">4 = ! ! >>4 +5 A127 = +400 A127 !": "ANSWER " * 5
    + "WAIT_ON LOST UNSETTLED LATE ANSWERED",
    # a slow unit: the answer to the copy is still to come, and bears the number of the one before
    OPEN + ">0 = ! ! >>0 = +300 A0 >1 = +5 A0 !": "ANSWER WAIT_ON LOST ANSWER LATE WAIT_ON",
    # rejected
    after(3, "n") + ">3 = +3 N3": "ANSWER " * 4 + "N ANSWER",
    after(3, "n") + ">3 = +3 N2": "ANSWER " * 4 + "N LATE",
    after(3, "n") + ">3 = +3 N0 !": "ANSWER " * 4 + "N OTHER REJECTED",
    after(3, "127") + ">3 = +3 N0": "ANSWER " * 4 + "N ANSWER",
    # asked to wait
    after(3, "n") + ">3 = +3 W3 +30 A3": "ANSWER " * 5,
    after(3, "n") + ">3 = +3 W0 +30 A0": "ANSWER " * 5,
    after(4, "n + 1") + ">4 = +3 W4 +30 A4": "ANSWER " * 5 + "BEFORE",
    # each ACK twice, and numbers that say nothing
    OPEN + ">0 +2 A0 = +3 A9 >1 +2 A9 = +3 A9 >2 +2 A9 = ! >>2 = +3 A9": (
        "ANSWER EARLY ANSWER EARLY ANSWER LATE WAIT_ON ANSWER"
    ),
}


@pytest.mark.parametrize("script", EXCHANGES)
def test_an_exchange_comes_to(script: str) -> None:
    said = " ".join(Talk().read(script))
    assert said == EXCHANGES[script].strip()


@pytest.mark.parametrize("numbers", NUMBERS)
@given(
    lost=st.integers(0, 200),
    took=st.sampled_from([2, 15, 60, 450]),
    header=st.sampled_from([2, 60, 450]),
    at_once=st.booleans(),
)
def test_a_packet_that_was_lost_is_never_taken_for_answered(
    numbers: str, lost: int, took: int, header: int, at_once: bool
) -> None:
    talk = Talk()
    talk.read(f">h = +{header} A0")
    for packet in range(lost + 1):
        talk.read(f">{packet} =")
        if packet < lost:
            talk.said.clear()
            talk.read(f"+{took} A{NUMBERS[numbers](packet) % 128}")
            if talk.said == ["OTHER"]:  # one number alone may have been chance
                talk.read("!")
            assert talk.said[-1] in ("ANSWER", "ANSWERED")
    talk.said.clear()
    talk.read("! !" if at_once else "+1 ! !")
    assert talk.said == ["WAIT_ON", "LOST"]
    # The copy is answered, and the dump goes on.
    talk.said.clear()
    talk.read(f">>{lost} = +{took} A{NUMBERS[numbers](lost) % 128}")
    if talk.said[-1] in ("OTHER", "UNSETTLED"):
        talk.read("!")
    assert talk.said[-1] in ("ANSWER", "ANSWERED")


@pytest.mark.parametrize("numbers", NUMBERS)
@given(lost=st.integers(1, 150))
def test_with_each_ack_twice_the_second_one_never_answers_the_next_packet(
    numbers: str, lost: int
) -> None:
    talk = Talk()
    talk.read(">h = +4 A0 >0 +2 A0 = ")
    for packet in range(lost):
        talk.said.clear()
        number = NUMBERS[numbers](packet) % 128
        talk.read(f"+4 A{number}")
        if talk.said == ["OTHER"]:
            talk.read("!")
        assert talk.said[-1] in ("ANSWER", "ANSWERED"), packet
        talk.said.clear()
        talk.read(f">{packet + 1} +2 A{number} =")
        assert talk.said[-1] in ("EARLY", "LATE")
    assert talk.read("!")[-1] in ("WAIT_ON", "DOUBTFUL")


def test_an_answer_is_waited_for_twice_as_long_as_the_unit_has_taken() -> None:
    for script, limit_ms in (
        (">h = +900 A0 >0 = !", 1800),
        (">h = +4 A0 >0 = !", 500),
        (">h = +4 A0 >0 = +5000 A0 >1 = !", 500),  # nobody noticed the limit: we were away
    ):
        talk = Talk()
        talk.read(script)
        assert talk.replies.limit_ns == talk.now_ns - 20 * MS + limit_ms * MS
    talk = Talk()  # what packets take counts more than what the header took
    talk.read(">h = +900 A0 >0 = ! +680 A0 >1 = !")
    assert talk.replies.limit_ns == talk.now_ns + 1_380 * MS


def test_an_impatient_sender_takes_silence_for_what_the_standard_says() -> None:
    talk = Talk(patient=False)
    assert talk.read(OPEN + ">0 = !") == ["ANSWER", "SILENT"]


def test_a_strict_sender_takes_no_number_but_the_packets() -> None:
    talk = Talk(strict=True)
    assert talk.read(OPEN + ">0 = +3 A1") == ["ANSWER", "OTHER"]


words = st.one_of(
    st.sampled_from(["=", ">h", "W0", "+1", "+30", "+600"]),
    st.integers(0, 3).map(lambda n: f">{n}"),
    st.just(">>0"),
    st.integers(0, 3).map(lambda n: f"A{n}"),
    st.integers(0, 3).map(lambda n: f"N{n}"),
)


@given(st.lists(words, max_size=60))
def test_whatever_comes_is_judged(script: list[str]) -> None:
    talk = Talk()
    talk.read(">h")
    for word in script:
        talk.read(word)
        if talk.replies.limit_ns is not None and talk.replies.limit_ns <= talk.now_ns:
            talk.read("!")
