"""The tables against all pairs of state and cue there are, for every combination of switches.

What the rows mean is tested with the machines; here it is that none is missing, none leads nowhere
and none moves a state that is over.
"""

import itertools
from collections.abc import Iterator, Mapping
from enum import Enum
from typing import Any, cast, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import fields

from dryload.emulator.dump.machine import Row, method_of
from dryload.emulator.dump.receiver import Receiver
from dryload.emulator.dump.receiver_table import (
    RECEIVER_UNEXPECTED,
    ReceiverCue,
    ReceiverDo,
    ReceiverState,
    receiver_table,
)
from dryload.emulator.dump.replies import Match, Meaning
from dryload.emulator.dump.requester import Requester
from dryload.emulator.dump.requester_table import (
    REQUESTER,
    REQUESTER_UNEXPECTED,
    RequesterCue,
    RequesterDo,
    RequesterState,
)
from dryload.emulator.dump.sender import Sender
from dryload.emulator.dump.sender_table import (
    SENDER_UNEXPECTED,
    Condition,
    SenderCue,
    SenderDo,
    SenderState,
    sender_cues,
    sender_table,
)
from dryload.emulator.dump.switches import QUESTIONS, ReceiverSwitches, SenderSwitches
from dryload.emulator.wire.clauses import clauses

AnyRow = Row[Enum, Enum]
AnyTable = Mapping[tuple[Enum, Enum], AnyRow]


def combinations(kind: type[Any]) -> Iterator[Any]:
    """Return every combination of those switches that have a closed list of values."""
    lists = {f.name: get_args(f.type) for f in fields(kind) if get_args(f.type)}
    for values in itertools.product(*lists.values()):
        yield kind(**dict(zip(lists, values, strict=True)))


def different(tables: Iterator[Any]) -> list[AnyTable]:
    """Return the tables that differ: most switches change no row."""
    found: list[AnyTable] = []
    for table in tables:
        if table not in found:
            found.append(cast(AnyTable, table))
    return found


SENDERS = different(sender_table(switches) for switches in combinations(SenderSwitches))
RECEIVERS = different(receiver_table(switches) for switches in combinations(ReceiverSwitches))
REQUESTERS = [cast(AnyTable, REQUESTER)]
MACHINES: dict[
    str, tuple[list[AnyTable], type[Enum], type[Enum], type[Enum], frozenset[Any], set[Enum]]
] = {
    "sender": (
        SENDERS,
        SenderState,
        SenderCue,
        SenderDo,
        SENDER_UNEXPECTED,
        {SenderState.DONE, SenderState.ABORTED},
    ),
    # A receiver is never over: it comes back to where it started.
    "receiver": (RECEIVERS, ReceiverState, ReceiverCue, ReceiverDo, RECEIVER_UNEXPECTED, set()),
    "requester": (
        REQUESTERS,
        RequesterState,
        RequesterCue,
        RequesterDo,
        REQUESTER_UNEXPECTED,
        {RequesterState.DONE, RequesterState.FAILED},
    ),
}
machines = pytest.mark.parametrize("name", MACHINES)
IGNORING = {SenderDo.NOTE_IGNORED}


def reached(table: AnyTable, start: Enum) -> set[Enum]:
    """Return the states to which rows lead from `start`, itself included."""
    found, todo = {start}, [start]
    while todo:
        state = todo.pop()
        for (before, _), row in table.items():
            if before is state and row.to not in found:
                found.add(row.to)
                todo.append(row.to)
    return found


def test_switches_make_as_many_tables_as_their_rows_say() -> None:
    # Sender: header_nak 2, wrong_ack 3, during_wait 2, after_silence 2 (after_silence "again" and
    # extended_silence change the cues, not the rows).
    assert len(SENDERS) == 2 * 3 * 2 * 2
    # Receiver: number_jump 4, repeated_packet 2, bad_form 2, header_in_dump 3.
    assert len(RECEIVERS) == 4 * 2 * 2 * 3


@machines
def test_every_pair_has_a_row_or_stands_among_the_unexpected(name: str) -> None:
    tables, states, cues, _, unexpected, _ = MACHINES[name]
    for table in tables:
        for pair in itertools.product(states, cues):
            assert (pair in table) != (pair in unexpected), pair


@machines
def test_nothing_else_stands_in_table_or_unexpected(name: str) -> None:
    tables, states, cues, _, unexpected, _ = MACHINES[name]
    pairs = set(itertools.product(states, cues))
    assert unexpected <= pairs
    for table in tables:
        assert set(table) <= pairs


@machines
def test_every_state_is_reached_from_the_first_and_can_reach_an_end(name: str) -> None:
    tables, states, _, _, _, over = MACHINES[name]
    first = next(iter(states))
    for table in tables:
        assert reached(table, first) == set(states)
        for state in states:
            ends = over or {first}
            assert ends & reached(table, state), state


@machines
def test_states_that_are_over_ignore_everything(name: str) -> None:
    tables, _, _, _, _, over = MACHINES[name]
    for table in tables:
        for (state, cue), row in table.items():
            if state in over:
                assert row.to is state, cue
                assert set(row.do) <= IGNORING, cue


@machines
def test_every_row_names_a_clause_and_says_what_is_done(name: str) -> None:
    tables = MACHINES[name][0]
    for table in tables:
        for pair, row in table.items():
            assert row.clause in clauses(), pair
            assert row.note, pair
            assert isinstance(row.to, type(pair[0])), pair


@machines
def test_every_action_is_used_somewhere(name: str) -> None:
    tables, _, _, actions, _, _ = MACHINES[name]
    used = {action for table in tables for row in table.values() for action in row.do}
    assert used == set(actions)


def test_a_switch_changes_only_the_rows_of_its_question() -> None:
    base = sender_table(SenderSwitches())
    changed = {
        pair
        for pair, row in sender_table(SenderSwitches(wrong_ack="cancel")).items()
        if row != base[pair]
    }
    assert changed == {
        (SenderState.PACKET, SenderCue.ACK_OTHER),
        (SenderState.PACKET, SenderCue.ACK_OTHER_LAST),
    }


def test_only_waiting_ends_a_wait() -> None:  # HSK-09, HSK-10; M1 p. 39
    held = (SenderState.HEADER_HELD, SenderState.PACKET_HELD)
    for table in SENDERS:
        for state in held:
            for cue in SenderCue:
                row = table.get((state, cue))
                if cue.name.startswith("SILENCE"):
                    assert row is None  # no clock runs
                elif cue is SenderCue.EOF:
                    assert row is not None
                    assert row.to is state


def ends_with(row: AnyRow, *actions: Enum) -> bool:
    return bool(set(row.do) & set(actions))


def test_what_a_row_does_and_where_it_leads_agree() -> None:
    done, aborted = SenderState.DONE, SenderState.ABORTED
    for table in SENDERS:
        for (state, cue), row in table.items():
            if state not in (done, aborted):
                assert ends_with(row, SenderDo.NOTE_DONE) == (row.to is done), cue
                gone = ends_with(row, SenderDo.NOTE_CANCELLED, SenderDo.GIVE_UP)
                assert gone == (row.to is aborted), cue
    for table in RECEIVERS:
        for (state, cue), row in table.items():
            over = ends_with(row, ReceiverDo.FINISH, ReceiverDo.ABANDON)
            opened = ends_with(row, ReceiverDo.OPEN)
            assert (row.to is ReceiverState.RECEIVING) == (
                not over and (opened or state is ReceiverState.RECEIVING)
            ), cue
            held = cue is ReceiverCue.HEADER_HELD
            assert ends_with(row, ReceiverDo.WAIT) == held, cue
            assert not held or row.to is ReceiverState.HELD
    for (_, cue), row in REQUESTERS[0].items():
        failed: set[Enum] = {RequesterDo.NOTE_FAILED, RequesterDo.NOTE_NO_ANSWER}
        if row.do:
            assert (RequesterDo.NOTE_DONE in row.do) == (row.to is RequesterState.DONE), cue
            assert bool(failed & set(row.do)) == (row.to is RequesterState.FAILED), cue


@given(st.sampled_from(SENDERS), st.lists(st.sampled_from(SenderCue), max_size=30))
def test_a_walk_over_the_senders_table_ends_only_in_the_two_ends(
    table: AnyTable, cues: list[SenderCue]
) -> None:
    state: Enum = SenderState.IDLE
    sent_header = False
    for cue in cues:
        row = table.get((state, cue))
        if row is None:
            assert (state, cue) in SENDER_UNEXPECTED
            continue
        # Every packet follows a header, every end is said.
        sent_header |= SenderDo.SEND_HEADER in row.do
        assert sent_header or SenderDo.SEND_NEXT not in row.do
        ends = {SenderDo.NOTE_DONE, SenderDo.NOTE_CANCELLED, SenderDo.GIVE_UP}
        over = {SenderState.DONE, SenderState.ABORTED}
        assert bool(ends & set(row.do)) == (row.to in over and state not in over)
        state = row.to


@given(st.sampled_from(RECEIVERS), st.lists(st.sampled_from(ReceiverCue), max_size=30))
def test_a_walk_over_the_receivers_table_opens_before_it_stores(
    table: AnyTable, cues: list[ReceiverCue]
) -> None:  # STA-01
    state: Enum = ReceiverState.IDLE
    open_ = False
    for cue in cues:
        row = table.get((state, cue))
        if row is None:
            assert (state, cue) in RECEIVER_UNEXPECTED
            continue
        for action in row.do:
            if action is ReceiverDo.OPEN:
                assert not open_
                open_ = True
            elif action in (ReceiverDo.STORE, ReceiverDo.FINISH, ReceiverDo.ABANDON):
                assert open_
                open_ = action is ReceiverDo.STORE
        state = row.to
        assert open_ == (state is ReceiverState.RECEIVING)


# Switches.


def test_every_switch_has_a_question_and_a_clause() -> None:
    names = {f.name for kind in (SenderSwitches, ReceiverSwitches) for f in fields(kind)}

    assert set(QUESTIONS) == names
    for name, (clause, question) in QUESTIONS.items():
        assert clause in clauses(), name
        assert question[0].islower(), name


def test_defaults_are_legal_values() -> None:
    listed = {f.name for f in fields(SenderSwitches) if get_args(f.type)}
    assert "wrong_ack" in listed
    for kind in (SenderSwitches, ReceiverSwitches):
        for f in fields(kind):
            legal = get_args(f.type)
            assert not legal or f.default in legal, f.name


@pytest.mark.parametrize(
    ("machine", "actions"),
    [(Sender, SenderDo), (Receiver, ReceiverDo), (Requester, RequesterDo)],
)
def test_every_action_is_carried_out_by_a_method_of_its_name(
    machine: type[object], actions: type[Enum]
) -> None:
    for action in actions:
        assert callable(getattr(machine, method_of(action), None)), action


# From a judgement to the sender's cue.

JUDGEMENTS = [*Match, *(meaning for meaning in Meaning if meaning is not Meaning.WAIT_ON)]
SITUATIONS = [
    set(given)
    for count in range(len(Condition) + 1)
    for given in itertools.combinations(Condition, count)
]
PACKET_ONLY = {Condition.IN_MIDST, Condition.HAS_SHOWN}
HEADER_ONLY = {Condition.EXTENDED, Condition.FALLBACK}


def cue_of(judgement: Match | Meaning, given: set[Condition], **switches: Any) -> SenderCue:
    rows = sender_cues(SenderSwitches(**switches))[judgement]
    return next(cue for conditions, cue in rows if conditions <= given)


def test_every_judgement_comes_to_a_cue_in_every_situation_and_no_row_is_idle() -> None:
    for switches in combinations(SenderSwitches):
        table = sender_cues(switches)
        assert set(table) == set(JUDGEMENTS)
        for rows in table.values():
            reached = {
                next(at for at, (conditions, _) in enumerate(rows) if conditions <= situation)
                for situation in SITUATIONS
            }
            assert reached == set(range(len(rows)))


def test_no_silence_comes_to_a_cue_that_its_state_does_not_know() -> None:
    silences = (Meaning.SILENT, Meaning.LOST, Meaning.DOUBTFUL)
    for switches in combinations(SenderSwitches):
        rows = sender_table(switches)
        for situation in SITUATIONS:
            if not situation & PACKET_ONLY:  # no packet was answered before the header was
                cue = cue_of(Meaning.SILENT, situation, extended_silence=switches.extended_silence)
                assert (SenderState.HEADER, cue) in rows
            if not situation & HEADER_ONLY:
                for meaning in silences:
                    cue = cue_of(meaning, situation, extended_silence=switches.extended_silence)
                    assert (SenderState.PACKET, cue) in rows


@pytest.mark.parametrize(
    ("judgement", "given", "cue"),
    [
        (Match.ANSWER, {Condition.IN_MIDST}, SenderCue.ACK),
        (Match.ANSWER, {Condition.NOTHING_LEFT}, SenderCue.ACK_LAST),
        (Meaning.REJECTED, set[Condition](), SenderCue.NAK),
        (Meaning.REJECTED, {Condition.REJECTED_OFTEN}, SenderCue.NAK_AGAIN),  # HSK-17
        (Meaning.SILENT, {Condition.TRIES_LEFT, Condition.IN_MIDST}, SenderCue.SILENCE),  # TIM-03
        (Meaning.SILENT, {Condition.EXTENDED}, SenderCue.SILENCE_STRANDED),  # EXT-09
        (Meaning.SILENT, {Condition.EXTENDED, Condition.FALLBACK}, SenderCue.SILENCE_EXTENDED),
        (
            Meaning.LOST,
            {Condition.TRIES_LEFT, Condition.IN_MIDST},
            SenderCue.SILENCE_AGAIN,
        ),  # HSK-15
        (Meaning.LOST, {Condition.TRIES_LEFT, Condition.NOTHING_LEFT}, SenderCue.SILENCE_AGAIN),
        (Meaning.LOST, {Condition.IN_MIDST, Condition.HAS_SHOWN}, SenderCue.SILENCE_DEAD),
        (Meaning.LOST, {Condition.IN_MIDST}, SenderCue.SILENCE),  # it never answered two in a row
        (Meaning.DOUBTFUL, {Condition.NOTHING_LEFT, Condition.HAS_SHOWN}, SenderCue.SILENCE_LAST),
    ],
)
def test_what_the_situation_makes_of_a_judgement(
    judgement: Match | Meaning, given: set[Condition], cue: SenderCue
) -> None:
    assert cue_of(judgement, given) is cue
