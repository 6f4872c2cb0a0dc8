"""What thousands of evenings have found, one by one: each was claimed once and refuted."""

from __future__ import annotations

import os
from dataclasses import replace

import pytest

from tests.evenings import tool
from tests.evenings.account import account
from tests.evenings.evening import Lived, Turn, live_through
from tests.evenings.plan import Dump, Evening, Hit, Run, Trouble, quiet_evening
from tests.evenings.rack import Manners
from tests.evenings.said import Claim
from tests.foreign.habits import Habits

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="each run is forked")

SHORT = Dump(file="a.syx", index=0, number=1, filed=1, words=tuple(range(100)))
"""Three packets; the last one is on the line from 0.10 to 0.14 s."""
LONG = Dump(file="b.syx", index=0, number=2, filed=2, words=tuple(range(300)))


@pytest.fixture(scope="module", autouse=True)
def _preloaded() -> None:
    tool.preload()


def lived(
    *troubles: Trouble,
    hits: tuple[Hit, ...] = (),
    dumps: tuple[Dump, ...] = (SHORT,),
    options: tuple[str, ...] = (),
    habits: Habits | None = None,
    manners: Manners | None = None,
    target: str = "midi",
) -> Lived:
    """An evening that begins with a run in which something goes wrong, and goes on calmly."""
    evening: Evening = replace(
        quiet_evening(),
        target=target,
        dumps=dumps,
        habits=habits or Habits(),
        manners=manners or Manners(has_battery=True),
        faulty=False,
        runs=(Run(options=options, as_json=True, troubles=troubles, hits=hits),),
    )
    return live_through(evening)


def told(turn: Turn, file: str = "a.syx") -> Claim:
    (claim,) = (each for each in turn.said.claims if each.by == "JSON" and each.file == file)
    return claim


def is_true(evening: Lived) -> None:
    assert not evening.faults, "\n".join(account(evening))


@pytest.mark.parametrize("kind", ["ctrl-c", "unplug"])
def test_what_is_stopped_in_its_last_packet_may_be_whole_in_the_unit(kind: str) -> None:
    evening = lived(Trouble(kind=kind, at_s=0.12))
    assert told(evening.turns[0]).outcome == "unconfirmed"
    assert "the last one" in told(evening.turns[0]).reason
    is_true(evening)


@pytest.mark.parametrize("kind", ["ctrl-c", "unplug"])
def test_what_is_stopped_before_its_last_packet_is_incomplete(kind: str) -> None:
    evening = lived(Trouble(kind=kind, at_s=0.08))
    assert told(evening.turns[0]).outcome == "incomplete"
    is_true(evening)


def test_a_last_packet_that_nobody_answered_is_no_proof_of_anything() -> None:
    # Switched off in the last packet; it is silent from there on, and empty afterwards.
    evening = lived(Trouble(kind="unit off", at_s=0.12, for_s=8.0), manners=Manners())
    assert told(evening.turns[0]).outcome == "unconfirmed"
    is_true(evening)


def test_what_was_never_confirmed_and_is_not_there_is_sent_again_by_resume() -> None:
    # The header is lost, so nothing is stored; the unit says nothing to the request for it either.
    evening = lived(hits=(Hit(to_unit=True, message=0, what="lost"),))
    assert told(evening.turns[0]).outcome == "unconfirmed"
    assert "--resume" in evening.turns[1].run.options
    assert told(evening.turns[1]).outcome == "loaded"
    is_true(evening)
