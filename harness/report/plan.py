"""What `dryload plan` says."""

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import PurePath
from typing import Any, Final

from dryload.emulator.wire.prose import counted, duration, hertz, listed, share
from dryload.harness.files.opening import shown
from dryload.harness.files.rates import meant_hertz
from dryload.harness.plan.evening import EveningPlan, PlannedSample
from dryload.harness.report.document import Document, fields_of
from dryload.harness.report.memory_bar import BLOCKS, Signs
from dryload.harness.report.memory_picture import picture, planned_states
from dryload.harness.report.samples import sound
from dryload.harness.report.table import Column, table

SCHEMA: Final = "dryload/plan/1"
_MOST_SAVINGS: Final = 3
_MOST_SHARES: Final = 4
_MOST_NAMES: Final = 3


def lines_of(
    plan: EveningPlan,
    *,
    start: datetime | None = None,
    pause_ns: int | None = None,
    took_ns: int | None = None,
    width: int | None = None,
    signs: Signs = BLOCKS,
) -> Iterator[str]:
    """Yield the plan for people; `start` is when the evening begins, None: nobody said."""
    traits = plan.profile.unit
    about = f": {shown(traits.description)}" if traits.description else "."
    yield f"Plan for the unit {shown(traits.name)}{about}"
    clock = _clock(start)
    if plan.samples:
        yield ""
        yield from _samples(plan, clock, width)
        yield from _notes(plan)
    yield from _left_out(plan)
    yield from _offers(plan, width)
    yield ""
    yield from _memory(plan)
    state, before = planned_states(plan)
    bank_words = plan.profile.memory.bank_words
    yield from picture(state, bank_words=bank_words, before=before, width=width, signs=signs)
    yield from _times(plan, clock, has_start=start is not None)
    yield from _paused(plan, pause_ns, took_ns)


def _clock(start: datetime | None) -> Callable[[int], str]:
    """Return how an instant of the evening is said: by the clock, or from its beginning on."""

    def said(ns: int) -> str:
        if start is None:
            seconds = round(ns / 1e9)
            return f"{seconds // 60}:{seconds % 60:02}"
        return f"{start + timedelta(seconds=ns / 1e9):%H:%M:%S}"

    return said


def _samples(plan: EveningPlan, clock: Callable[[int], str], width: int | None) -> list[str]:
    columns = (
        Column("begins", right=True),
        Column("slot", right=True),
        Column("sample"),
        Column("from"),
        Column("name", spare=2),
        Column("words", right=True),
        Column("sound", right=True, spare=3),
        Column("rate", right=True, spare=1),
        Column("takes", right=True),
        Column("changed", folds=True),
    )
    return table(columns, [_cells(each, clock) for each in plan.samples], width)


def _cells(sample: PlannedSample, clock: Callable[[int], str]) -> tuple[str, ...]:
    was = sample.own_number
    others = "" if was in (None, sample.number) else f" (was {was})"
    which = f" ({sample.dump})" if sample.dump > 1 else ""
    told = [*(["after a walk"] if sample.is_walk else []), *sample.change.why]
    told += [sample.remark] if sample.remark else []
    return (
        clock(sample.start_ns),
        "-" if sample.slot is None else str(sample.slot),
        f"{sample.number}{others}",
        shown(PurePath(sample.file).name) + which,
        shown(sample.name) if sample.name else "-",
        f"{sample.frames * sample.channels:,}",
        sound(sample.frames, sample.rate),
        meant_hertz(sample.rate),
        duration(sample.time_ns),
        "; ".join(told) or "-",
    )


def _notes(plan: EveningPlan) -> Iterator[str]:
    """Yield what is to be said of samples, each note once."""
    files: dict[str, list[str]] = {}
    for each in plan.samples:
        for note in each.notes:
            files.setdefault(note, []).append(shown(PurePath(each.file).name))
    if files:
        yield ""
    for note, names in files.items():
        more = [f"{len(names) - _MOST_NAMES} more"] if len(names) > _MOST_NAMES else []
        yield f"{listed([*names[:_MOST_NAMES], *more], 'and')}: {note}."


def _left_out(plan: EveningPlan) -> Iterator[str]:
    for is_well, heading in ((False, "Not in the plan:"), (True, "Left out without loss:")):
        rows = [each for each in plan.left_out if each.is_well is is_well]
        if rows:
            yield from ("", heading)
        for each in rows:
            which = f", dump {each.dump}," if each.dump is not None and each.dump > 1 else ""
            yield f"  {shown(each.file)}{which} {each.why}."


def _offers(plan: EveningPlan, width: int | None) -> Iterator[str]:
    rows = [
        (
            shown(PurePath(title).name),
            "; ".join(each.change.why),
            hertz(each.shape.bandwidth_hz)
            if each.shape.rate.denominator == 1
            else f"{round(each.shape.bandwidth_hz):,} Hz",
            f"-{each.shape.noise_db:.0f} dB",
            f"{each.words:,}",
            duration(each.time_ns),
        )
        for title, offers in plan.offers
        for each in offers
        if each.words
    ]
    if not rows:
        return
    columns = (
        Column("of", folds=True),
        Column("could be done", folds=True),
        Column("up to", right=True),
        Column("noise", right=True),
        Column("words", right=True),
        Column("time", right=True),
    )
    yield ""
    yield (
        "Ways to make the rest fit, the least loss first, each with the highest frequency that is "
        "left, its noise, and the words and time that it saves:"
    )
    yield from table(columns, rows, width)


def _memory(plan: EveningPlan) -> Iterator[str]:
    free = [each.region.words for each in plan.after if each.kind == "free"]
    pieces = f", in pieces, the largest {max(free):,}" if len(free) > 1 else ""
    filled = sum(each.slot is not None for each in plan.samples)
    yield (
        f"Memory: {filled} of {counted(plan.free_slots, 'free slot')} filled; "
        f"{sum(free):,} of {plan.edges[-1]:,} words free{pieces}."
    )
    if plan.offers:
        more = "more" if plan.weight == plan.bound else f"more than {plan.bound:,}"
        worth = f"The samples that fit unchanged are worth {plan.weight:,} together"
        yield f"{worth}; no other choice is worth {more}."
    if plan.holds is None:
        yield "The unit's memory is to be initialised first: that wipes all that it holds."


def _times(plan: EveningPlan, clock: Callable[[int], str], *, has_start: bool) -> Iterator[str]:
    reading = " with reading back" if plan.is_read_back else ""
    walks = f" and {counted(plan.visits, 'walk')} to the unit" if plan.visits else ""
    over = f": over at {clock(plan.total_ns)}" if has_start else ""
    yield f"Altogether{reading}{walks} it takes {duration(plan.total_ns)}{over}."
    if plan.spent:
        spent = [(share(ns, plan.total_ns), what) for what, ns in plan.spent[:_MOST_SHARES]]
        parts = [f"{part} {what}" for part, what in spent if part != "0 %"]
        yield f"Where the time goes: {listed(parts, 'and')}."
    for each in plan.savings[:_MOST_SAVINGS]:
        yield f"To save {duration(each.time_ns)}: {each.what}."


def _paused(plan: EveningPlan, pause_ns: int | None, took_ns: int | None) -> Iterator[str]:
    amount = plan.amount
    least = f"with answers that come at once the same dumps take {duration(amount.answered_ns)}"
    if pause_ns is not None:
        took = duration(amount.paused_ns(pause_ns))
        yield (
            f"A program that does not listen and pauses {duration(pause_ns)} after each packet "
            f"takes {took}; {least}."
        )
    if took_ns is None:
        return
    pause, total = amount.pause_of(took_ns), duration(took_ns)
    if pause is None:
        cable = f"the cable alone needs {duration(amount.line_ns)}"
        yield f"No program can send these dumps in {total}: {cable}."
        return
    yield (
        f"A program that does not listen and takes {total} pauses {duration(pause)} after each "
        f"packet; {least}."
    )


def document(
    plan: EveningPlan, *, written_to: str | None, pause_ns: int | None, took_ns: int | None
) -> Document:
    """Return the plan for programs."""
    amount = plan.amount
    return {
        "schema": SCHEMA,
        "unit": {"given": plan.unit, "name": plan.profile.name},
        **fields_of(plan, "banks", "holds", "samples", "left_out"),
        "could_be_done": [
            {"of": title, "ways": [_way(each) for each in offers]} for title, offers in plan.offers
        ],
        "best": fields_of(plan, "weight", "bound"),
        "memory": {
            **fields_of(plan, "before", "after", "free_slots"),
            "words": plan.edges[-1],
        },
        "time": {
            **fields_of(plan, "total_ns", "is_read_back", "visits", "walk_ns", "savings"),
            "spent": [{"for": what, "ns": ns} for what, ns in plan.spent],
            "answered_ns": amount.answered_ns,
            "paused_ns": None if pause_ns is None else amount.paused_ns(pause_ns),
            "pause_ns": None if took_ns is None else amount.pause_of(took_ns),
        },
        "file": written_to,
        "is_well": plan.is_well,
    }


def _way(offer: Any) -> Document:
    shape = offer.shape
    return {
        **fields_of(offer, "change", "loss", "words", "time_ns"),
        "bandwidth_hz": shape.bandwidth_hz,
        "noise_db": shape.noise_db,
    }
