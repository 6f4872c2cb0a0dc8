"""What `dryload replay` says about dumps sent to a port, where the unit is unknown."""

from collections.abc import Callable, Sequence

from dryload.emulator.wire.prose import counted
from dryload.harness.files.opening import shown
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.outcome import Outcome, Transfer
from dryload.harness.jobs.playlist import LeftOut, PlayRow, Selection, meet
from dryload.harness.report import replay
from dryload.harness.report.replay import (
    table_of,
    total_sentence,
    transfers_of,
    verdict,
)
from dryload.harness.report.selection import left_out


def lines_of(
    transfer: Transfer, before: Sequence[PlayRow] = (), to_send: Sequence[Dump] = ()
) -> list[str]:
    """Return the report on one dump that was played, and the diagnosis if it failed.

    A refusal that was reported `before` is not explained again.  Of all dumps `to_send` those
    that are still to come to its place are told: what is true of this one is so until then.
    """
    refusal = _refusal(transfer)
    if refusal and refusal in map(_refusal, transfers_of(before)):
        return [transfer.dump.place, f"  Refused as before: {refusal}."]
    lines = replay.lines_of(transfer) + [
        f"  It was sent to the place of {each.title}: do not count on that one any more."
        for each in _replaced(transfer, before)
    ]
    lines += [
        f"  {each.title} will be sent to the same place: from then on, do not count on this one."
        for each in _to_come(transfer, before, to_send)
    ]
    if transfer.diagnosis is None or not transfer.diagnosis.is_something_wrong:
        return lines
    from dryload.harness.report.diagnose import answer_lines

    told = [f"    {line}".rstrip() for line in answer_lines(transfer.diagnosis)]
    return [*lines, "", "  Diagnosis", *told]


def asks_for(dump: Dump) -> str:
    """Return the question whether to send a dump to a unit that refused two like it."""
    return f"the unit refused two dumps in a row. Send {dump.title} and what follows all the same?"


def _replaced(transfer: Transfer, before: Sequence[PlayRow]) -> list[Dump]:
    """Return the dumps that were loaded before to the place where this one was sent."""
    if transfer.outcome is Outcome.REFUSED:
        return []
    loaded = (Outcome.LOADED, Outcome.CHANGED)
    earlier = [each.dump for each in transfers_of(before) if each.outcome in loaded]
    return [each for each in earlier if meet(each, transfer.dump)]


def _to_come(transfer: Transfer, before: Sequence[PlayRow], to_send: Sequence[Dump]) -> list[Dump]:
    """Return the dumps that are still to be sent to the place of this one, if it got there."""
    if transfer.outcome is Outcome.REFUSED:
        return []
    done = [transfer.dump, *(each.dump for each in transfers_of(before))]
    return [each for each in to_send if each not in done and meet(each, transfer.dump)]


def _refusal(transfer: Transfer) -> str:
    """Return why a dump was refused before its first packet, "" where it was not."""
    is_refused = transfer.outcome is Outcome.REFUSED and not transfer.sent
    return transfer.reason if is_refused else ""


def asking(claimed: Sequence[Dump]) -> list[str]:
    """Return the note before the unit is asked for the samples that it should have."""
    if not claimed:
        return []
    what = counted(len(claimed), "sample")
    return [f"asking the unit for the beginning of {what} that had been sent before."]


def looked(
    claimed: Sequence[Dump], selection: Selection, is_only_read: Callable[[Dump], bool]
) -> list[str]:
    """Return what the unit has shown of what it should have."""
    left = {each.what: each for each in selection.left_out}
    lines = []
    for dump in claimed:
        if dump in left:
            lines.append(left_out(left[dump]))
        elif is_only_read(dump):
            lines.append(f"{dump.title} was sent before and is there: it is read back now.")
        else:
            lines.append(
                f"{dump.title} was sent before, but the unit no longer has it: sent again."
            )
    return lines


def lost_since(before: Sequence[PlayRow], rows: Sequence[PlayRow]) -> list[str]:
    """Return the notes on dumps that the unit had at the beginning but not at the end."""
    return [
        left_out(row)
        for was, row in zip(before, rows, strict=True)
        if isinstance(row, LeftOut) and isinstance(was, LeftOut) and row.why is not was.why
    ]


def before(selection: Selection, target: str, is_only_read: Callable[[Dump], bool]) -> list[str]:
    """Return the note before anything is sent."""
    sent = [dump for dump in selection.to_send if not is_only_read(dump)]
    if not sent:
        return []
    numbers = ", ".join(str(dump.header.sample_number) for dump in sent)
    is_replaced = "are replaced" if len(sent) > 1 else "is replaced"
    what = "samples" if len(sent) > 1 else "sample"
    return [
        f"sending to {shown(target)}; {what} {numbers} in the unit {is_replaced} if it accepts "
        "what is sent."
    ]


def summary(rows: Sequence[PlayRow], *, width: int | None) -> list[str]:
    """Return what was not kept, the table at the end, and the time of everything together."""
    transfers = transfers_of(rows)
    lost = [each for each in transfers if each.outcome is Outcome.NOT_KEPT]
    lines = [f"{each.dump.title}: {verdict(each)}" for each in lost] + ([""] if lost else [])
    lines += table_of(rows, width, with_slots=False)
    if transfers:
        lines += ["", total_sentence(transfers)]
    if unseen := sum(each.verified is True and each.still_there is None for each in transfers):
        lines.append(
            f"{counted(unseen, 'dump')} came back right; it was not checked at the end whether the "
            "unit still has what it sent back."
        )
    return lines
