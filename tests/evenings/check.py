"""Hold what was said against what is so."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final, NamedTuple

from tests.evenings.plan import PERIOD_NS, Dump, Evening
from tests.evenings.said import OUTCOMES, Claim
from tests.foreign import wire
from tests.foreign.unit import Held

if TYPE_CHECKING:
    from tests.evenings.evening import Turn

S: Final = 1_000_000_000
_CODES: Final = (0, 1, 2, 3, 130)
_ACCUSING: Final = ("the unit did", "the unit never", "nothing went")
_SENT_STATES: Final = OUTCOMES
_NAMELESS: Final = ("0", "127", "random")
"""Numbers in ACKs that say nothing of the packet."""


class Fault(NamedTuple):
    """Something false that was said or done."""

    turn: int
    kind: str
    told: str


def holds(held: dict[int, Held], dump: Dump) -> bool:
    """Whether a unit's memory has a dump, word for word, under its number."""
    sample = held.get(dump.number)
    # A period in whole nanoseconds may be one off: that is said, and counts as the same.
    if sample is None or abs(sample.head.period_ns - PERIOD_NS) > 1:
        return False
    # Words keep their level where a unit has another width: the same, if no bit of theirs is lost.
    lift = 28 - sample.head.bits, 28 - dump.bits
    return [word << lift[0] for word in sample.words] == [word << lift[1] for word in dump.played]


def faults_of(evening: Evening, turns: Sequence[Turn], at: int) -> Iterator[Fault]:
    """Yield what is false in one run."""
    turn = turns[at]
    for kind, told in (
        *_ended_badly(turn),
        *_false_claims(evening, turn),
        *_false_exit(evening, turn),
        *_not_named(evening, turn),
        *_journal_differs(evening, turn),
        *_false_blame(evening, turn),
        *_false_capture(turn),
        *_sent_again(evening, turns, at),
        *_not_well(evening, turns, at),
    ):
        yield Fault(at, kind, told)


Told = Iterator[tuple[str, str]]


def _ended_badly(turn: Turn) -> Told:
    ran = turn.ran
    if "Traceback" in ran.err or "Traceback" in ran.out:
        last = [line for line in ran.err.splitlines() if line.strip()][-1:]
        yield "traceback", f"a traceback: {''.join(last)}"
    if "Warning" in ran.err:
        yield "warning", f"a warning of the interpreter or a library: {ran.err.strip()[-200:]}"
    if ran.log.ended in ("endless", "hung") or ran.log.ended.startswith("died"):
        yield "endless", f"it did not come to an end ({ran.log.ended})"
    if ran.log.ended:
        return
    if ran.code not in _CODES:
        yield "exit code", f"exit code {ran.code} means nothing"
    if ran.code == 130 and "ctrl-c" not in ran.log.struck:
        yield "exit code", "it says that it was stopped by its user, and nobody did"
    if turn.said.is_json_torn:
        yield "JSON", f"its JSON can't be read: {ran.out[-200:]!r}"
    if turn.run.as_json and not ran.out.strip() and ran.code in (0, 1):
        yield "JSON", f"exit code {ran.code} and no JSON"


def _false_claims(evening: Evening, turn: Turn) -> Told:
    """What is said of dumps, against what the unit holds when the run is over."""
    written = [each for each in turn.journal if each not in turn.journal_before]
    if "cannot be written" in turn.ran.err:
        written.clear()  # what it could not add is said, and the unit is asked another time
    settled = {
        (each.file, each.dump): each.outcome for each in turn.said.claims if each.by != "a warning"
    }
    for claim in (*turn.said.claims, *written):
        dump = _dump_of(evening, claim)
        last = settled.get((claim.file, claim.dump))
        if dump is None or (claim.by == "a warning" and last != claim.outcome):
            continue  # a warning was true by then, and the last word is another one
        where = f"{claim.by} says {claim.outcome!r} of {claim.file}, sample {dump.number}"
        if holds(turn.ran.rack.held, dump):
            told = f"{where} ({claim.reason}): the unit holds it"
            yield from ((kind, told) for kind in _bad_news(evening, turn, claim, dump))
        else:
            told = f"{where}, verified {claim.verified}: the unit does not hold it"
            yield from ((kind, told) for kind in _good_news(evening, turn, claim, dump))


def _good_news(evening: Evening, turn: Turn, claim: Claim, dump: Dump) -> Iterator[str]:
    """Yield what is false of a claim about a sample that the unit does not hold."""
    if _was_lost_unseen(turn, dump):
        return
    if claim.outcome == "loaded before":
        yield "loaded before and not held"
    if claim.outcome != "loaded":
        return
    if claim.verified:
        yield "verified and not held"
    if claim.verified is not None or evening.faulty or _was_there(turn, dump):
        return
    if evening.reads_back or not _had_its_header_altered(turn, dump):
        yield "loaded and not held"


def _bad_news(evening: Evening, turn: Turn, claim: Claim, dump: Dump) -> Iterator[str]:
    """Yield what is false of a claim about a sample that the unit holds."""
    if "is not there" in claim.cause:
        yield "cause refuted"
    if claim.verified is False and claim.by == "JSON":
        yield "differs and held"
    # Without reading back nobody knows that the unit puts samples elsewhere than it was told.
    if claim.outcome == "not kept" and (evening.reads_back or not evening.manners.own_numbers):
        yield "not kept and held"
    if claim.outcome == "loaded with changes" and claim.verified is not None:
        yield "changed and held"
    if claim.outcome in ("refused", "incomplete") and not holds(turn.began_with, dump):
        yield f"{claim.outcome} and held"


def _false_exit(evening: Evening, turn: Turn) -> Told:
    ran = turn.ran
    if ran.log.ended or ran.code != 0:
        return
    for dump in evening.wanted:
        if holds(ran.rack.held, dump) or _was_lost_unseen(turn, dump):
            continue
        if not evening.reads_back and (evening.faulty or _had_its_header_altered(turn, dump)):
            continue
        yield "exit 0 and not held", f"exit code 0, and the unit does not hold sample {dump.number}"
    if evening.reads_back and turn.said.document is not None:
        for claim in turn.said.claims:
            if claim.outcome in _SENT_STATES and claim.verified is not True and claim.by == "JSON":
                yield (
                    "exit 0 and not proved",
                    f"exit code 0, and {claim.file} is {claim.outcome}, verified {claim.verified}",
                )


def _not_named(evening: Evening, turn: Turn) -> Told:
    """Dumps of which nothing is said."""
    if turn.said.document is None or turn.ran.log.ended:
        return
    for name in evening.files:
        wanted = sum(dump.file == name for dump in evening.dumps)
        named = {
            claim.dump for claim in turn.said.claims if claim.by == "JSON" and claim.file == name
        }
        if len(named) < wanted:
            yield "not named", f"JSON names {len(named)} of {wanted} dumps of {name}"


def _journal_differs(evening: Evening, turn: Turn) -> Told:
    """Outcome and journal of a run that came to its end."""
    if turn.said.document is None or turn.ran.log.ended or "full" in turn.ran.log.struck:
        return
    journal = {(claim.file, claim.dump): claim for claim in turn.journal}
    numbers = [dump.number for dump in evening.dumps]
    for claim in turn.said.claims:
        dump = _dump_of(evening, claim)
        if claim.by != "JSON" or claim.outcome not in _SENT_STATES or dump is None:
            continue
        if numbers.count(dump.number) > 1:
            continue
        entry = journal.get((claim.file, claim.dump))
        if entry is None:
            yield "not in the journal", f"{claim.file} is {claim.outcome} and not in the journal"
        elif entry.outcome not in (claim.outcome, "open"):
            yield (
                "journal differs",
                f"{claim.file} is {claim.outcome}, and {entry.outcome} in the journal",
            )


def _false_blame(evening: Evening, turn: Turn) -> Told:
    """What is held against a unit that did nothing wrong."""
    log = turn.ran.log
    if evening.odd or evening.is_real or "unit off" in log.struck:
        return
    why = _innocent(turn)
    for claim in turn.said.claims:
        dump = _dump_of(evening, claim)
        if dump is not None and dump.damage and log.hits:
            continue  # the cable may mend a packet that the file has broken: nobody sees that
        for blame in claim.blames:
            yield "false blame", f"{claim.file}: {blame}{why}"
        only_late = log.struck == {"late"} and not log.hits
        if only_late and turn.ran.code != 3 and claim.reason.startswith(_ACCUSING):
            yield "false blame", f"{claim.file}, exit code {turn.ran.code}: {claim.reason}{why}"


def _innocent(turn: Turn) -> str:
    log = turn.ran.log
    troubles = sorted(log.struck) + ([f"{log.hits} messages hit on the cable"] if log.hits else [])
    return f" [the unit keeps to the standard; what was wrong: {', '.join(troubles) or 'nothing'}]"


def _false_capture(turn: Turn) -> Told:
    """A capture that is said to hold what passed."""
    if turn.captured is None or "what passed is in" not in turn.ran.err:
        return
    sent = b"".join(passed.raw for passed in turn.ran.log.passed if passed.to_unit)
    if turn.captured != sent:
        yield (
            "capture differs",
            f"what passed is said to be in the capture: {len(sent):,} bytes went to the unit, and "
            f"{len(turn.captured):,} are there",
        )


def _sent_again(evening: Evening, turns: Sequence[Turn], at: int) -> Told:
    """A dump that the unit holds and that was being read back, sent once more."""
    if not at or "--resume" not in turns[at].run.options or evening.has_equal_numbers:
        return
    before, now = turns[at - 1], turns[at]
    if "full" in before.ran.log.struck or evening.faulty or "power" in before.ran.log.ended:
        return
    if evening.manners.hangs_up or evening.habits.no_requests or now.ran.log.hits:
        return
    if "unit off" in now.ran.log.struck | before.ran.log.struck or before.run.before:
        return
    if before.ran.log.ended != "kill" and before.ran.code != 130:
        return
    unsure = {claim.number for claim in before.said.claims if claim.outcome != "loaded"}
    asked = {number for _, number in before.ran.rack.asked} - unsure
    sent = {number for _, number in now.ran.rack.headers}
    for dump in evening.dumps:
        was_there = holds(before.ran.rack.held, dump) and holds(now.began_with, dump)
        if was_there and dump.number in asked & sent and not dump.damage:
            yield (
                "sent again",
                f"sample {dump.number} was acknowledged to its end, and being read back when the "
                "run before ended; the unit holds it, and --resume sends it again",
            )


def _not_well(evening: Evening, turns: Sequence[Turn], at: int) -> Told:
    """An evening that ends without trouble, and not with all of it loaded."""
    turn = turns[at]
    if at + 1 < len(turns) or turn.ran.code == 0:
        return
    if evening.faulty or evening.has_equal_numbers or any(dump.damage for dump in evening.dumps):
        return
    if evening.habits.no_requests and evening.reads_back:
        return
    if evening.habits.delay > 1 and not evening.reads_back:
        return  # nobody waits so long for the answer to a last packet that some never answer
    is_nameless = evening.habits.ack_number in _NAMELESS or evening.habits.ack_times > 1
    if is_nameless and not evening.reads_back:
        return  # such answers prove nothing: they may be another packet's
    kind = "never well" if len(turns) > 1 else "not well"
    yield kind, f"nothing goes wrong any more, and it ends with exit code {turn.ran.code}"


def _dump_of(evening: Evening, claim: Claim) -> Dump | None:
    for dump in evening.dumps:
        if dump.file == claim.file and dump.index == claim.dump:
            return dump
    return None


def _was_lost_unseen(turn: Turn, dump: Dump) -> bool:
    """Whether a unit lost the sample in a power cut after it was last asked about it."""
    rack = turn.ran.rack
    lost = [
        each.at_s for each in rack.history if each.what == "emptied" and each.sample == dump.number
    ]
    began_s = turn.ran.began_ns / S
    if not lost or lost[-1] < began_s:
        return False
    asked = [at_s for at_s, number in (*rack.asked, *rack.headers) if number == dump.number]
    return bool(asked) and max(asked) < lost[-1]


def _had_its_header_altered(turn: Turn, dump: Dump) -> bool:
    """Whether the cable altered a header: no answer shows it (M1 p. 37), only reading back does."""
    return any(
        passed.fate == "damaged" and wire.said(passed.raw, 0) == wire.HEADER
        for passed in turn.ran.log.passed
        if passed.to_unit and wire.number(passed.raw[4:6]) == dump.number
    )


def _was_there(turn: Turn, dump: Dump) -> bool:
    """Whether the unit had the sample in this run, and lost it afterwards."""
    began_s = turn.ran.began_ns / S
    own = [each for each in turn.ran.rack.history if each.sample == dump.number]
    return [each.what for each in own if each.at_s >= began_s][-2:] == ["stored", "emptied"]
