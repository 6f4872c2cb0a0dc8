"""read over many numbers: complete, or it says that it is not and exits 1.

The unit is made of the plain codec alone, and time is that of a clock that stands still.  The
standard says that a unit may leave a request without an answer (M1 p. 37), and nothing of how many
samples one holds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from tests import oracle
from tests.cli.reading import BROKEN, OK, USAGE, Read, files, reader
from tests.cli.serving import dump
from tests.jobs.bench import words
from tests.ports.clockwork import MS, FakeClock, FakePort

SECOND = 1_000 * MS
HIGHEST = 16_383  # M1 p. 37
Sent = Sequence[tuple[int, bytes]]


def number_of(message: bytes) -> int:
    return oracle.from_n7(message[4:6])


class Gear:
    """A unit that holds these samples; `loses` are the requests, counted from 0, that get lost.

    At request `leaves` it has gone.  It sees of a number only what `mask` leaves, and takes
    `takes_ns` to answer a request, which for a number in `slow` is something else; until then it
    hears no other request.
    """

    def __init__(
        self,
        *samples: int,
        empty: str = "",
        loses: Sequence[int] = (),
        leaves: int = 1 << 30,
        mask: int = 0x3FFF,
        shift: int = 0,
        takes_ns: int = 5 * MS,
        slow: dict[int, int] | None = None,
        names: dict[int, bytes] | None = None,
    ) -> None:
        self.samples = {number: dump(number, words(60 + number % 50)) for number in samples}
        self.asked: list[int] = []
        self.clock = FakeClock()
        self._busy_until_ns = 0
        self._empty = empty
        self._loses = loses
        self._leaves = leaves
        self._mask = mask
        self._shift = shift
        self._takes_ns = takes_ns
        self._slow = slow or {}
        self._names = names
        self._to_send: list[bytes] = []

    def answer(self, message: bytes) -> Sent:
        kind = message[3]
        if len(self.asked) > self._leaves:
            return ()
        if kind == 0x03:  # a request
            return self._dump(number_of(message))
        if kind == 0x7F and self._to_send:  # ACK
            return [(5 * MS, self._to_send.pop(0))]
        if kind == 0x7D:  # CANCEL
            self._to_send = []
        if kind == 0x05 and message[4] == 0x04 and self._names is not None:  # CA-019 p. 4
            number = oracle.from_n7(message[5:7])
            if number in self._names:
                return [
                    (5 * MS, oracle.sample_name(sample_number=number, name=self._names[number]))
                ]
        return ()

    def _dump(self, number: int) -> Sent:
        self.asked.append(number)
        nth = len(self.asked) - 1
        if nth in self._loses or nth >= self._leaves or self.clock.time_ns < self._busy_until_ns:
            return ()
        held = self.samples.get((number & self._mask) + self._shift)
        if held is None:
            cancel = oracle.handshake(kind="CANCEL", packet_number=0)
            return [(self._takes_ns, cancel)] if self._empty == "cancel" else ()
        header, *self._to_send = held
        takes_ns = self._slow.get(number, self._takes_ns)
        self._busy_until_ns = self.clock.time_ns + takes_ns
        return [(takes_ns, header)]


Reading = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Read]:
    """Return what puts a unit behind the port and gives the command that reads from it."""
    read = reader(tmp_path, monkeypatch, capsys)

    def behind(gear: Gear) -> Read:
        port = FakePort(gear.clock, answer=gear.answer)
        monkeypatch.setattr("dryload.harness.cli.target._open", lambda *_: port)
        return lambda sample, *options: read("tcp:127.0.0.1:1", sample, "desk", *options)

    return behind


def check_files(gear: Gear, *numbers: int) -> None:
    dumps = [name for name in files() if name != "./desk/contents.toml"]
    assert dumps == [f"./desk/sample-{number:04}.syx" for number in sorted(numbers)]
    for number in numbers:
        data = Path(f"desk/sample-{number:04}.syx").read_bytes()
        assert data == b"".join(gear.samples[number])


def test_a_sample_behind_a_long_gap_is_read_and_what_was_not_asked_for_is_said(
    run: Callable[..., Read],
) -> None:
    gear = Gear(0, 20, 127)
    said = run(gear)("all")
    check_files(gear, 0, 20, 127)
    assert said.code == BROKEN
    assert "Sample numbers above 127 were not requested" in said.out
    assert "there may be more samples" in said.out
    assert "--up-to" in said.out
    # 60, 80 and 87 words are 227: of 76 cells 20.1, 26.8 and 29.1.
    assert [
        "Their sizes, one behind the other (no message says where in the memory they lie):",
        f"  │a{'█' * 19}b{'█' * 26}c{'█' * 28}│",
        "  a = sample 0; b = sample 20; c = sample 127",
    ] in [said.out.splitlines()[at : at + 3] for at in range(len(said.out.splitlines()))]


def test_a_sample_above_what_was_asked_for_never_hides_behind_exit_0(
    run: Callable[..., Read],
) -> None:
    said = run(Gear(0, 200))("all")
    assert said.code == BROKEN
    assert "Sample numbers above 127 were not requested" in said.out


def test_where_the_unit_answers_every_number_all_of_them_are_asked_for(
    run: Callable[..., Read],
) -> None:
    gear = Gear(3, 200, HIGHEST, empty="cancel")
    said = run(gear)("all")
    assert said.code == OK
    assert gear.asked == list(range(HIGHEST + 1))
    assert f"All sample numbers, 0 to {HIGHEST}, were requested." in said.out
    data = [Path("desk", f"sample-{n:04}.syx").read_bytes() for n in (3, 200, HIGHEST)]
    assert data == [b"".join(gear.samples[n]) for n in (3, 200, HIGHEST)]


def test_one_number_without_an_answer_makes_it_incomplete(run: Callable[..., Read]) -> None:
    gear = Gear(3, 200, HIGHEST, empty="cancel", loses=[150, 151])
    said = run(gear)("all", "--json")
    assert said.code == BROKEN
    document = said.document
    assert (document["asked_to"], document["complete"]) == (150, False)


@pytest.mark.parametrize("last", [20, 300])
def test_who_knows_how_many_there_are_can_say_so(run: Callable[..., Read], last: int) -> None:
    gear = Gear(0, 20)
    said = run(gear)("all", "--up-to", str(last))
    assert said.code == OK
    assert max(gear.asked) == last
    assert f"Sample numbers above {last} were not requested." in said.out
    check_files(gear, 0, 20)


def test_it_is_said_before_how_long_silence_would_take(run: Callable[..., Read]) -> None:
    said = run(Gear(0))("all", "--patience", "3")
    assert "requesting samples 0 to 127" in said.err
    assert "2 times 3 s: at most 12 min 48.0 s for all of these" in said.err
    assert "requesting samples" not in run(Gear(0))("0").err


def test_a_request_that_was_lost_is_sent_again(run: Callable[..., Read]) -> None:
    gear = Gear(0, 1, 2, 3, loses=[2])
    assert run(gear)("0-3").code == OK
    assert gear.asked == [0, 1, 2, 2, 3]
    check_files(gear, 0, 1, 2, 3)


def test_a_number_without_an_answer_is_not_said_to_be_empty(run: Callable[..., Read]) -> None:
    said = run(Gear(0, 3))("0-3", "--json")
    assert said.code == OK
    results = [each["result"] for each in said.document["samples"]]
    assert results == ["read", "no answer", "no answer", "read"]
    said = run(Gear(0, 3, empty="cancel"))("0-3", "--json", "--overwrite")
    assert [each["result"] for each in said.document["samples"]][1:3] == ["nothing there"] * 2


def test_a_unit_that_has_gone_in_the_middle_is_never_taken_for_an_empty_one(
    run: Callable[..., Read],
) -> None:
    gear = Gear(0, 1, 2, 3, 9, leaves=3)  # at the fourth request the cable is out
    said = run(gear)("0-9")
    assert said.code == BROKEN
    check_files(gear, 0, 1, 2)
    assert "The unit has stopped answering" in said.out
    assert "So the silence at 3 to 9 means nothing." in said.out


def test_a_unit_that_is_still_there_is_asked_once_more_and_not_for_a_whole_dump(
    run: Callable[..., Read],
) -> None:
    gear = Gear(0, 5)
    said = run(gear)("0-7", "--json")
    assert (said.code, said.document["still_answers"]) == (OK, True)
    assert gear.asked == [0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 6, 6, 7, 7, 5]
    assert gear.answer(oracle.handshake(kind="ACK")) == ()  # it was told to send no more


def test_an_answer_that_comes_late_is_the_sample_it_is_and_not_the_next_one(
    run: Callable[..., Read],
) -> None:
    gear = Gear(0, 1, 2, slow={1: 4_500 * MS})
    said = run(gear)("0-2", "--json")
    for number in (0, 1, 2):
        data = Path(f"desk/sample-{number:04}.syx").read_bytes()
        assert data == b"".join(gear.samples[number])
    samples = said.document["samples"]
    assert [(each["asked_for"], each["sample_number"]) for each in samples] == [
        (0, 0),
        (1, 1),
        (2, 2),
    ]
    assert all(not each["findings"] for each in samples)  # and the unit is not blamed
    assert "it came when 2 was asked for" in samples[1]["reason"]
    assert said.code == OK


def test_patience_is_for_units_whose_owner_has_to_press_a_key(run: Callable[..., Read]) -> None:
    assert run(Gear(4, takes_ns=25 * SECOND))("4-4").code == BROKEN
    gear = Gear(4, takes_ns=25 * SECOND)
    assert run(gear)("4-4", "--patience", "30").code == OK
    assert gear.asked == [4]


@pytest.mark.parametrize("patience", ["0", "601", "-1", "nan", "inf"])
def test_a_patience_that_is_none_is_refused(run: Callable[..., Read], patience: str) -> None:
    said = run(Gear(4))("4-4", f"--patience={patience}")
    assert said.code == USAGE
    assert "give seconds, from 0.05 to 600" in said.err


def test_a_unit_that_counts_round_does_not_send_everything_a_hundred_times(
    run: Callable[..., Read],
) -> None:
    gear = Gear(*range(128), mask=0x7F)
    for number in (0, 1):  # it calls them as it was asked
        assert len(gear.samples[number]) > 1
    said = run(gear)("all")
    assert said.code == BROKEN
    assert max(gear.asked) < 140
    assert "as if the numbers started again" in said.out


def test_a_sample_that_comes_under_another_number_is_not_filed_as_the_one_asked_for(
    run: Callable[..., Read],
) -> None:
    gear = Gear(1, 2, 3, shift=1)
    said = run(gear)("0-2")
    assert said.code == BROKEN
    assert files() == [f"./desk/sample-{n:04}-says-{n + 1:04}.syx" for n in range(3)]
    assert "sent one that it calls 1" in said.out


def test_a_name_that_was_not_told_is_said(run: Callable[..., Read]) -> None:
    gear = Gear(0, 1, 2, names={0: b"gulls", 2: b"bell"})
    said = run(gear)("0-2")
    assert said.code == OK
    assert "its name was asked for and not told" in said.out
    assert [line for line in said.out.splitlines() if "loops of 3 samples" in line]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("4", "--up-to", "9"), "--up-to says how far all goes"),
        (("0-9", "--up-to", "9"), "--up-to says how far all goes"),
        (("all", "--up-to", "16384"), "sample numbers are 0 to 16383"),
        (("all", "--up-to=-1"), "sample numbers are 0 to 16383"),
    ],
)
def test_how_far_is_for_all_only(
    run: Callable[..., Read], words: tuple[str, ...], told: str
) -> None:
    said = run(Gear(4))(*words)
    assert (said.code, said.out) == (USAGE, "")
    assert told in said.err
