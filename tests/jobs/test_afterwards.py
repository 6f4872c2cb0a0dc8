"""What a unit has at the end of a replay is what counts, whatever it sent back before.

At the other end is gear that imports nothing of ours, in virtual time; or an emulated unit.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from dryload.harness.jobs.afterwards import Look, in_memory, on_the_line, settled
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.line import never
from dryload.harness.jobs.live import LiveReplay
from dryload.harness.jobs.outcome import Outcome, Transfer
from dryload.harness.jobs.playlist import play_through, select
from dryload.harness.jobs.transfer import Settings
from tests.foreign.habits import Habits
from tests.foreign.unit import Gear, Held
from tests.jobs.bench import dump, rehearsal, unit, words
from tests.jobs.gear_port import GearPort
from tests.ports.clockwork import FakeClock

LOADED, CHANGED, REFUSED, INCOMPLETE, UNCONFIRMED, NOT_KEPT = Outcome


class OnePlace(dict[int, Held]):
    """A memory that has one place for two sample numbers: 0 and 1, 2 and 3, and so on."""

    def __setitem__(self, number: int, held: Held) -> None:
        super().__setitem__(number // 2, held)

    def __getitem__(self, number: int) -> Held:
        held = super().__getitem__(number // 2)
        return Held(held.head._replace(sample=number), held.words)

    def __contains__(self, number: object) -> bool:
        return isinstance(number, int) and super().__contains__(number // 2)

    def get(self, number: int, default: object = None) -> Held | None:  # type: ignore[override]
        return self[number] if number in self else None  # noqa: SIM401  # it would ask itself


def looks(live: LiveReplay) -> Look:
    return lambda dump, read, packets: live.look_for(dump, read, packets=packets)


class Evening:
    """Dumps played to gear, and what came of them in the end."""

    def __init__(
        self,
        *dumps: Dump,
        gear: Gear | None = None,
        read_back: bool = True,
        before_the_end: Callable[[Gear], None] = lambda gear: None,
        wants_stop: Callable[[], bool] = never,
        loses: int = 0,
    ) -> None:
        self.gear = gear or Gear()
        self.loses, self.is_end = loses, False
        self.port = GearPort(self.gear, FakeClock(), answers=self.hear)
        live = LiveReplay(
            self.port, paced=False, settings=Settings(operator_ns=None, read_back=read_back)
        )
        rows = list(play_through(select(dumps), live.play, hindrance=lambda: None))
        self.asked_before = self.gear.saw["requests"]
        before_the_end(self.gear)
        self.is_end = True
        self.rows = settled(rows, on_the_line(looks(live), wants_stop))

    def hear(self, message: bytes) -> list[bytes]:
        """Let what the gear says through, but for packets that are lost in the end."""
        if self.loses and self.is_end and message[3] == 0x02:  # a data packet: M1 p. 37
            self.loses -= 1
            return []
        return [message]

    @property
    def transfers(self) -> list[Transfer]:
        return [row for row in self.rows if isinstance(row, Transfer)]

    @property
    def said(self) -> list[tuple[Outcome, bool | None, bool]]:
        return [(each.outcome, each.still_there, each.is_well) for each in self.transfers]


def numbered(*numbers: int, length: int = 121) -> list[Dump]:
    """Dumps of different words: all as long, so that no header tells them apart."""
    return [dump(words(length, factor=1021 + 2 * n), number=n) for n in numbers]


def one_place() -> Gear:
    gear = Gear()
    gear.held = OnePlace()
    return gear


def test_what_is_still_there_is_loaded() -> None:
    evening = Evening(*numbered(1, 2, 3))
    assert evening.said == [(LOADED, True, True)] * 3
    # the last one had just been read back
    assert evening.gear.saw["requests"] - evening.asked_before == 2


def test_one_dump_alone_is_not_asked_for_again() -> None:
    evening = Evening(*numbered(1))
    assert evening.said == [(LOADED, True, True)]
    assert evening.gear.saw["requests"] == 1


def test_two_numbers_for_one_place_are_found_out() -> None:
    evening = Evening(*numbered(2, 3), gear=one_place())
    assert [each.verified for each in evening.transfers] == [True, True]  # each in its turn
    assert evening.said == [(NOT_KEPT, False, False), (LOADED, True, True)]
    assert "something else" in evening.transfers[0].reason


@pytest.mark.parametrize("packets", [1, 3, 40, 128, 200])
def test_sounds_that_begin_alike_are_told_apart(packets: int) -> None:
    silence = [0] * (packets * 40)
    one, other = (dump([*silence, *words(70, factor=f)], number=n) for n, f in ((2, 3), (3, 5)))
    evening = Evening(one, other, gear=one_place())
    assert [outcome for outcome, _, _ in evening.said] == [NOT_KEPT, LOADED]
    kept = Evening(one, other)
    assert [outcome for outcome, _, _ in kept.said] == [LOADED, LOADED]


def test_it_is_asked_only_as_far_as_it_takes() -> None:
    evening = Evening(*numbered(1, 2, length=4_000))
    assert evening.said == [(LOADED, True, True)] * 2
    cancelled = [raw for raw in evening.port.sent if raw[3] == 0x7D]  # CANCEL: M1 p. 36
    assert len(cancelled) == 1
    gave = evening.gear.player
    assert gave is not None
    assert gave.counts["ack"] <= 3


def test_the_same_sound_under_two_numbers_of_one_place_is_there_under_both() -> None:
    content = words(121)
    evening = Evening(dump(content, number=2), dump(content, number=3), gear=one_place())
    assert evening.said == [(LOADED, True, True)] * 2


def test_a_sample_that_was_lost_is_noticed() -> None:
    def lose(gear: Gear) -> None:
        del gear.held[1]

    evening = Evening(*numbered(1, 2, 3), before_the_end=lose)
    assert [outcome for outcome, _, _ in evening.said] == [NOT_KEPT, LOADED, LOADED]
    assert "does not send it any more" in evening.transfers[0].reason


def test_a_unit_that_falls_silent_is_said_neither_to_have_nor_to_have_lost_anything() -> None:
    """Its memory is lost, or it is off: silence is right for both (REQ-03)."""
    evening = Evening(*numbered(1, 2, 3), before_the_end=lambda gear: gear.held.clear())
    assert [outcome for outcome, _, _ in evening.said] == ["unconfirmed"] * 3
    assert [still for _, still, _ in evening.said] == [None] * 3
    assert "answers no request" in evening.transfers[0].reason


def test_who_answers_no_requests_is_not_asked_at_the_end() -> None:
    evening = Evening(*numbered(1, 2), gear=Gear(Habits(no_requests=True)))
    assert [still for _, still, _ in evening.said] == [None, None]
    unread = Evening(*numbered(1, 2), read_back=False)
    assert unread.gear.saw["requests"] == 0
    assert [still for _, still, _ in unread.said] == [None, None]


def test_a_packet_that_is_lost_on_the_way_accuses_nobody() -> None:
    once = Evening(*numbered(1, 2), loses=1)
    assert once.said == [(LOADED, True, True)] * 2
    always = Evening(*numbered(1, 2), loses=1_000)
    assert [outcome for outcome, _, _ in always.said] == [LOADED, LOADED]


def test_who_wants_to_end_is_not_kept_waiting_and_nothing_is_claimed() -> None:
    evening = Evening(*numbered(1, 2), wants_stop=lambda: True)
    assert evening.gear.saw["requests"] == evening.asked_before
    assert evening.said == [(LOADED, None, True), (LOADED, True, True)]


def test_a_port_that_fails_by_then_leaves_it_open() -> None:
    evening = Evening(*numbered(1, 2, 3), before_the_end=lambda gear: None)
    port = evening.port
    live = LiveReplay(port, paced=False)
    port.close()
    rows = settled(evening.rows, on_the_line(looks(live), never))
    # The unit may have been switched off since: nothing says that it still has them.
    told = [(row.outcome, row.still_there) for row in rows if isinstance(row, Transfer)]
    assert told == [(UNCONFIRMED, None)] * 3


def test_a_dump_that_another_one_replaced_is_not_loaded() -> None:
    evening = Evening(*numbered(1), *(dump(words(90), number=1),))
    assert evening.said == [(NOT_KEPT, False, True), (LOADED, True, True)]  # it was allowed
    assert "was sent to its place later" in evening.transfers[0].reason


def test_a_refused_one_replaces_nothing() -> None:
    gear = Gear(Habits(memory=100, refuses=True))
    evening = Evening(dump(words(90), number=1), dump(words(121), number=1), gear=gear)
    assert [outcome for outcome, _, _ in evening.said] == [LOADED, REFUSED]


# Emulated


def test_an_emulated_memory_that_was_lost_is_noticed() -> None:
    rehearsed = rehearsal(unit(memory={"battery": False}))
    rows = [rehearsed.play(each) for each in numbered(1, 2)]
    rehearsed.unit.panel.initialise(rehearsed.line.now_ns)
    after = settled(rows, in_memory(rehearsed.unit))
    assert [row.outcome for row in after if isinstance(row, Transfer)] == [NOT_KEPT, LOADED]


def test_what_an_emulated_memory_keeps_is_loaded() -> None:
    rehearsed = rehearsal()
    rows = [rehearsed.play(each) for each in numbered(1, 2)]
    after = settled(rows, in_memory(rehearsed.unit))
    assert [row.still_there for row in after if isinstance(row, Transfer)] == [True, True]
