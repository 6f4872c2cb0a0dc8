"""An evening at a port that is broken off at every instant: what is told is what the unit has.

At the other end is gear that imports nothing of ours, in virtual time.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

import pytest
from msgspec import Struct

from dryload.emulator.ports.port import PortError
from dryload.harness.files.journal import Disk, Journal
from dryload.harness.files.problem import RIG, Problem
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.live import Evening, LiveReplay
from dryload.harness.jobs.outcome import Outcome, Transfer
from dryload.harness.jobs.playlist import PlayRow, Why, play_through, select
from dryload.harness.jobs.transfer import Settings
from tests.files.test_journal import PoorDisk
from tests.foreign.habits import Habits
from tests.foreign.unit import Gear
from tests.jobs.bench import dump, words
from tests.jobs.gear_port import GearPort
from tests.ports.clockwork import FakeClock

HEADER, PACKET, REQUEST, ACK, CANCEL = 0x01, 0x02, 0x03, 0x7F, 0x7D  # sub-IDs: M1 pp. 35-37
LENGTHS: Final = {1: 121, 2: 500, 3: 121}
"""Words of the dumps: in packets 4, 13 and 4, so that of the second only a part is asked for."""


class Killed(BaseException):
    """The process, or the computer."""


def content(number: int) -> list[int]:
    return words(LENGTHS[number], factor=1021 + 2 * number)


DUMPS: Final = [dump(content(number), number=number) for number in LENGTHS]


class Ended(Struct, frozen=True, kw_only=True):
    rows: Sequence[PlayRow]
    failed: PortError | None
    unwritten: Problem | None
    sent: list[bytes]
    """Messages that went to the gear."""

    @property
    def headers(self) -> list[int]:
        return [message[4] for message in self.sent if message[3] == HEADER]

    @property
    def requests(self) -> list[int]:
        return [message[4] for message in self.sent if message[3] == REQUEST]

    @property
    def told(self) -> list[tuple[int, str, bool | None]]:
        """Number, outcome and verification, or the reason why it is left out."""
        found: list[tuple[int, str, bool | None]] = []
        for row in self.rows:
            if isinstance(row, Transfer):
                transfer = row
                number = transfer.dump.header.sample_number
                found.append((number, str(transfer.outcome), transfer.verified))
            else:
                assert isinstance(row.what, Dump)
                found.append((row.what.header.sample_number, str(row.why), None))
        return found

    @property
    def is_well(self) -> bool:
        return self.failed is None and all(row.is_well for row in self.rows)


class Bench:
    """A unit, a disk and a person who gives the same command again."""

    def __init__(self, folder: Path, habits: Habits | None = None) -> None:
        self.gear = Gear(habits)
        self.path = folder / "evening.jsonl"
        self.clock = FakeClock()
        self.ports: list[GearPort] = []
        self.answers: Callable[[bytes], Sequence[bytes]] = lambda message: [message]
        self.passes: Callable[[bytes], bool] = lambda message: True
        self.wants_stop: Callable[[], bool] = lambda: False
        self.may_connect: Callable[[], bool] = lambda: True

    def play(
        self,
        *,
        resume: bool = False,
        read_back: bool = True,
        dumps: Sequence[Dump] = tuple(DUMPS),
        disk: Disk | None = None,
    ) -> Ended:
        make = Journal.resume if resume else Journal.begin
        journal = make(str(self.path), target="midi:gear", began="tonight", disk=disk)
        self.ports = []
        settings = Settings(operator_ns=None, read_back=read_back)

        def connect() -> LiveReplay:
            if not self.may_connect():
                raise Problem("the gear is not there.", code=RIG)
            port = GearPort(self.gear, self.clock, answers=self.answers, passes=self.passes)
            self.ports.append(port)
            return LiveReplay(port, settings=settings, wants_stop=self.wants_stop)

        try:
            selected = select(list(dumps), loaded=journal.loaded())
            evening = Evening(connect, journal, reads_back=read_back)
            selected = evening.look(selected)

            def hindrance() -> Why | None:
                if evening.failed is not None:
                    return Why.PORT_FAILED
                return Why.STOPPED if self.wants_stop() else None

            rows = list(play_through(selected, evening.play, hindrance=hindrance))
            rows = evening.settle(rows, self.wants_stop)
        finally:
            journal.close()
        return Ended(
            rows=rows,
            failed=evening.failed,
            unwritten=evening.unwritten,
            sent=[message for port in self.ports for message in port.sent],
        )

    @property
    def held(self) -> dict[int, list[int]]:
        return {number: held.words for number, held in self.gear.held.items()}


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


ALL_LOADED: Final = [(1, "loaded", True), (2, "loaded", True), (3, "loaded", True)]
_FIRST: Final = 300
"""Bytes of the first two lines, and a little more."""
ALL_HELD: Final = {number: content(number) for number in LENGTHS}


def kill_at(bench: Bench, place: int) -> None:
    """Let nothing more happen when so many messages have passed, in both directions."""
    passed = 0

    def count(message: bytes) -> bool:
        nonlocal passed
        passed += 1
        if passed > place:
            raise Killed
        return True

    bench.passes = count


def let_live(bench: Bench) -> None:
    bench.passes = lambda message: True
    bench.wants_stop = lambda: False


def sent_to_their_ends(path: Path) -> set[int]:
    """The samples of which a journal says that all of them was sent."""
    if not path.exists():
        return set()
    lines = [json.loads(line) for line in path.read_text().splitlines()[1:]]
    last = {line["sample_number"]: line["step"] for line in lines}
    return {number for number, step in last.items() if step != "sending"}


def test_everything_is_loaded_and_said_so(bench: Bench) -> None:
    ended = bench.play()
    assert (ended.told, ended.is_well) == (ALL_LOADED, True)
    assert bench.held == ALL_HELD


def test_going_on_with_what_is_all_there_sends_nothing_and_asks_for_each(bench: Bench) -> None:
    bench.play()
    ended = bench.play(resume=True)
    assert ended.told == [(number, "loaded before", None) for number in LENGTHS]
    assert ended.is_well
    assert (ended.headers, ended.requests) == ([], [1, 2, 3])
    # of the long one no more than a part was sent: it was cancelled
    kinds = [message[3] for message in ended.sent]
    assert kinds.count(CANCEL) == 1


def test_a_unit_that_was_switched_off_gets_all_of_it_again(bench: Bench) -> None:
    bench.play()
    bench.gear.held.clear()
    ended = bench.play(resume=True)
    assert (ended.told, ended.is_well) == (ALL_LOADED, True)
    assert bench.held == ALL_HELD


@pytest.mark.parametrize("has_others", [False, True])
def test_what_goes_after_the_unit_was_asked_is_not_called_loaded_in_the_end(
    bench: Bench, has_others: bool
) -> None:
    bench.play(dumps=DUMPS[:2])
    gone = (1,) if has_others else (1, 2)

    def switched_off(message: bytes) -> bool:
        if message[3:5] == bytes([HEADER, 3]) and 3 not in bench.gear.held:  # the third one begins
            for number in gone:
                bench.gear.held.pop(number, None)
        return True

    bench.passes = switched_off
    ended = bench.play(resume=True)
    second = "loaded before" if has_others else "not shown"
    assert ended.told == [(1, "not shown", None), (2, second, None), (3, "loaded", True)]
    assert not ended.is_well


def test_what_somebody_has_replaced_since_is_sent_again(bench: Bench) -> None:
    bench.play()
    bench.gear.held[2] = bench.gear.held[2]._replace(words=[*content(2)[1:], 5])
    bench.gear.held[3] = bench.gear.held[3]._replace(
        head=bench.gear.held[3].head._replace(period_ns=30_000)
    )
    ended = bench.play(resume=True)
    assert ended.told == [(1, "loaded before", None), *ALL_LOADED[1:]]
    assert bench.held == ALL_HELD


def test_of_a_unit_that_answers_no_request_nothing_is_claimed_later(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Habits(no_requests=True))
    ended = bench.play(read_back=False)
    assert ended.is_well
    bench.gear.held.clear()  # or not: nobody can know
    for read_back in (False, True):
        again = bench.play(resume=True, read_back=read_back)
        assert again.told == [(number, "not shown", None) for number in LENGTHS]
        assert not again.is_well
        assert again.headers == []


def test_what_was_not_read_back_then_is_read_back_when_that_is_wanted(bench: Bench) -> None:
    bench.play(read_back=False)
    ended = bench.play(resume=True)
    assert (ended.told, ended.headers, ended.is_well) == (ALL_LOADED, [], True)
    assert bench.play(resume=True, read_back=False).is_well


def places(bench: Bench) -> int:
    """How many messages pass in a whole evening."""
    passed = 0

    def count(message: bytes) -> bool:
        nonlocal passed
        passed += 1
        return True

    bench.passes = count
    bench.play()
    return passed


def test_killed_at_every_message_the_journal_claims_no_more_than_the_unit_has(
    tmp_path: Path,
) -> None:
    total = places(Bench(tmp_path))
    for place in range(total):
        bench = Bench(tmp_path)
        bench.path.unlink(missing_ok=True)
        kill_at(bench, place)
        with pytest.raises(Killed):
            bench.play()
        let_live(bench)
        sent = sent_to_their_ends(bench.path)
        if place % 2:
            bench.gear.held.clear()  # the unit has lost its power as well
            bench.gear = Gear()
        ended = bench.play(resume=True)
        if not place % 2:
            # what was acknowledged to its end is not sent again, and nothing is in doubt
            assert ended.is_well, (place, ended.told)
            assert sent.isdisjoint(ended.headers), place
        elif not ended.is_well:
            # A unit that has not been seen to answer a request need not be empty when it is silent:
            # then nothing is claimed, and what was read back since shows that it does answer.
            assert ended.told == [(1, "not shown", None), *ALL_LOADED[1:]], place
            ended = bench.play(resume=True)
        assert ended.is_well, (place, ended.told)
        assert bench.held == ALL_HELD, place


def test_killed_in_the_first_dump_nothing_of_an_older_evening_is_left(bench: Bench) -> None:
    bench.play()
    bench.gear.held.clear()
    kill_at(bench, 1)
    with pytest.raises(Killed):
        bench.play()
    let_live(bench)
    assert bench.path.stat().st_size > 0
    ended = bench.play(resume=True)
    assert (ended.told, ended.headers) == (ALL_LOADED, [1, 2, 3])


def test_interrupted_while_reading_back_it_goes_on_with_that(bench: Bench) -> None:
    for packet in range(13):
        bench.gear, bench.clock = Gear(), FakeClock()
        bench.path.unlink(missing_ok=True)
        back: list[int] = []

        def count(message: bytes, back: list[int] = back, at: int = packet) -> list[bytes]:
            if message[3] == PACKET:
                back.append(message[4])
            return [message]

        bench.answers = count
        bench.wants_stop = lambda back=back, at=packet: len(back) > at  # type: ignore[misc]
        ended = bench.play(dumps=DUMPS[1:2])
        assert ended.told in ([(2, "loaded", None)], [(2, "loaded", True)])
        let_live(bench)
        bench.answers = lambda message: [message]
        again = bench.play(dumps=DUMPS[1:2], resume=True)
        assert again.headers == []  # not sent a second time
        assert again.is_well
        assert again.told in ([(2, "loaded", True)], [(2, "loaded before", None)])


@pytest.mark.parametrize("ends", ["taken", "given", "both"])
def test_a_unit_that_hangs_up_after_each_dump_gets_all_of_them(bench: Bench, ends: str) -> None:
    wanted = {number: -(-length // 40) for number, length in LENGTHS.items()}
    now, packets = 0, 0

    def passes(message: bytes) -> bool:
        nonlocal now, packets
        if message[3] == HEADER:
            now, packets = message[4], 0
            return True
        if message[3] == PACKET:
            packets += 1
        taken = message[3] == ACK and packets == wanted.get(now)
        is_given = message[3] == PACKET and packets == wanted.get(now)
        is_over = (taken and ends in ("taken", "both")) or (
            is_given and ends in ("given", "both") and bench.gear.player is not None
        )
        return not is_over

    bench.passes = passes
    ended = bench.play()
    assert sorted(bench.held) == [1, 2, 3]
    assert bench.held == ALL_HELD
    assert [number for number, _, _ in ended.told] == [1, 2, 3]
    let_live(bench)
    again = bench.play(resume=True)
    assert again.headers == []
    assert again.is_well


def test_a_unit_that_hangs_up_when_it_is_asked_gets_the_next_ones_all_the_same(
    bench: Bench,
) -> None:
    bench.passes = lambda message: message[3] != REQUEST
    ended = bench.play()
    assert ended.told == [(number, "unconfirmed", None) for number in LENGTHS]
    assert not ended.is_well
    assert bench.held == ALL_HELD
    assert ended.headers == [1, 2, 3]


def test_a_port_that_fails_in_a_dump_ends_it_and_what_was_not_reached_is_told(
    bench: Bench,
) -> None:
    seen = 0

    def passes(message: bytes) -> bool:
        nonlocal seen
        seen += message[3] == PACKET and bench.gear.player is None
        return seen < 7

    bench.passes = passes
    ended = bench.play()
    assert ended.failed is not None
    assert ended.told == [(1, "loaded", True), (2, "incomplete", None), (3, "port failed", None)]
    let_live(bench)
    again = bench.play(resume=True)
    assert again.told == [(1, "loaded before", None), *ALL_LOADED[1:]]


def test_a_port_that_is_gone_for_good_ends_it(bench: Bench) -> None:
    connected = 0

    def once() -> bool:
        nonlocal connected
        connected += 1
        return connected == 1

    bench.may_connect = once
    bench.passes = lambda message: message[3] != REQUEST
    ended = bench.play()
    assert ended.failed is not None
    assert ended.told == [
        (1, "unconfirmed", None),
        (2, "port failed", None),
        (3, "port failed", None),
    ]


@pytest.mark.parametrize("room", range(0, 2_400, 90))
def test_on_a_full_disk_the_evening_goes_on_and_later_nothing_is_taken_for_loaded_that_is_not(
    bench: Bench, room: int
) -> None:
    if room < _FIRST:
        with pytest.raises(Problem, match=r"evening\.jsonl cannot be written: No space left"):
            bench.play(disk=PoorDisk(room))
        assert bench.held == {}  # nothing was sent
        return
    ended = bench.play(disk=PoorDisk(room))
    assert ended.told == ALL_LOADED
    assert bench.held == ALL_HELD
    if ended.unwritten is not None:
        assert "evening.jsonl cannot be written" in str(ended.unwritten)
    bench.gear.held.clear()
    again = bench.play(resume=True)
    if not again.is_well:  # it is not known yet that the unit answers requests
        assert again.told == [(1, "not shown", None), *ALL_LOADED[1:]]
        again = bench.play(resume=True)
    assert bench.held == ALL_HELD
    assert again.is_well


def test_nothing_goes_in_the_place_of_what_the_journal_would_still_call_loaded(
    bench: Bench,
) -> None:
    bench.play(dumps=DUMPS[1:])
    other = dump([*content(2)[:-1], 7], number=2)
    again = bench.play(resume=True, dumps=[DUMPS[0], other], disk=PoorDisk(800))
    assert again.unwritten is not None
    assert again.told == [(1, "loaded", True), (2, "not written down", None)]
    assert bench.held == ALL_HELD
    assert not again.is_well


def test_the_outcome_and_the_journal_say_the_same(bench: Bench) -> None:
    bench.gear = Gear(Habits(wrong_bit=3))
    ended = bench.play()
    lines = [json.loads(line) for line in bench.path.read_text().splitlines()[1:]]
    last = {line["sample_number"]: line for line in lines}
    for row in ended.rows:
        assert isinstance(row, Transfer)
        said = last[row.dump.header.sample_number]
        assert said["outcome"] == row.outcome == Outcome.CHANGED
        assert (said["verified"], said["is_well"]) == (False, False)
    assert [line["step"] for line in lines] == ["sending", "sent", "ended"] * 3


def test_what_is_left_out_has_a_row_of_its_own(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Habits(delay=0.06))  # longer than a packet takes on the line
    bench.play(dumps=DUMPS[:1])
    bench.wants_stop = lambda: len(bench.ports) > 0 and len(bench.ports[0].sent) > 12
    ended = bench.play(resume=True)
    assert ended.told == [(1, "loaded before", None), (2, "incomplete", None), (3, "stopped", None)]
    assert not ended.is_well
