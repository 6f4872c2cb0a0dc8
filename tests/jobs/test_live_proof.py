"""All well is said of a live transfer only where it is shown: by reading back, if it was wanted.

At the other end is gear that imports nothing of ours, in virtual time.
"""

from __future__ import annotations

import pytest

from dryload.harness.jobs.live import LiveReplay
from dryload.harness.jobs.outcome import Outcome, Transfer
from dryload.harness.jobs.transfer import Settings
from tests.foreign.habits import Habits
from tests.foreign.unit import Gear
from tests.jobs.bench import dump, words
from tests.jobs.gear_port import GearPort, Heard, as_it_is
from tests.ports.clockwork import FakeClock

LOADED, CHANGED, REFUSED, INCOMPLETE, UNCONFIRMED, NOT_KEPT = Outcome
HEADER, PACKET = 0x01, 0x02  # sub-IDs: M1 p. 37


def played(
    habits: Habits | None = None, *, answers: Heard = as_it_is, read_back: bool = True
) -> tuple[Transfer, Gear]:
    gear = Gear(habits)
    port = GearPort(gear, FakeClock(), answers=answers)
    settings = Settings(operator_ns=None, read_back=read_back)
    live = LiveReplay(port, paced=False, settings=settings)
    transfer = live.play(dump())
    return transfer, gear


def test_what_was_read_back_is_well() -> None:
    transfer, gear = played()
    assert (transfer.outcome, transfer.verified, transfer.is_well) == (LOADED, True, True)
    assert gear.held[1].words == words(121)


def test_what_could_not_be_read_back_is_not_shown() -> None:
    transfer, _ = played(Habits(no_requests=True))
    assert (transfer.outcome, transfer.verified) == (UNCONFIRMED, None)
    assert transfer.unread == "the unit did not answer the request for the sample"
    assert not transfer.is_well


def test_who_wants_no_reading_back_is_content_with_the_answers() -> None:
    transfer, _ = played(Habits(no_requests=True), read_back=False)
    assert (transfer.outcome, transfer.verified, transfer.is_well) == (LOADED, None, True)
    silent, _ = played(Habits(silent=True), read_back=False)
    assert (silent.outcome, silent.is_well) == (UNCONFIRMED, False)


@pytest.mark.parametrize("last", [HEADER, PACKET])
def test_reading_back_that_breaks_off_shows_nothing(last: int) -> None:
    came: list[int] = []

    def broken_off(message: bytes) -> list[bytes]:
        if message[3] in (HEADER, PACKET):
            came.append(message[3])
        return [] if came and came[-1] == PACKET and last in came[:-1] else [message]

    transfer, _ = played(answers=broken_off)
    assert (transfer.outcome, transfer.verified) == (UNCONFIRMED, None)
    assert transfer.unread
    assert not transfer.is_well


def test_a_sample_that_comes_back_under_another_number_is_not_the_one_that_was_asked_for() -> None:
    def renumbered(message: bytes) -> list[bytes]:
        return [message[:4] + b"\x05\x00" + message[6:] if message[3] == HEADER else message]

    transfer, _ = played(answers=renumbered)
    assert (transfer.outcome, transfer.verified) == (UNCONFIRMED, None)
    assert transfer.unread == "asked for sample 1, the unit sent sample 5"
    assert not transfer.is_well


def test_a_unit_that_keeps_it_under_another_number_has_not_what_was_sent() -> None:
    # CA-019 and M1 say nothing of it; units with one place a number do that.
    gear = Gear()
    port = GearPort(gear, FakeClock(), answers=as_it_is)

    class Elsewhere(dict):  # type: ignore[type-arg]
        def __setitem__(self, number: int, held: object) -> None:
            super().__setitem__(number + 1, held)

    gear.held = Elsewhere()
    transfer = LiveReplay(port, paced=False).play(dump())
    assert (transfer.outcome, transfer.verified, transfer.is_well) == (UNCONFIRMED, None, False)
