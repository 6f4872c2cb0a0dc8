"""What a capture cannot show, in plain words: only what matters to what it holds.

The judge says the same of a conversation for people who know the standard
(`Verdicts.unknown`); here it is for those who want to know why a transfer failed.
"""

from collections.abc import Iterator
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.prose import duration
from dryload.harness.diagnose.scene import DumpScene, Scene
from dryload.harness.files.recorded import TakenAt
from dryload.harness.judge.dialogue.exchanges import Ended

UNSEEN: Final = (
    "Damage that leaves the checksum right: with --source FILE, the dump that was to be sent, "
    "every byte is compared."
)
_ONLY: Final = {
    Direction.TO_UNIT: (
        "Whether the unit answered, and what it said: only what went to the unit is here. "
        "dryload replay FILE --to midi:PORT --capture FILE.jsonl records both directions."
    ),
    Direction.FROM_UNIT: (
        "What the unit was sent: only what it said is here. "
        "dryload replay FILE --to midi:PORT --capture FILE.jsonl records both directions."
    ),
}
_NO_TIMES: Final = (
    "Late answers, pauses and a line that is too fast or too slow: the times are not known."
)
_NO_TIMES_ONE_WAY: Final = (
    "Pauses and a line that is too fast or too slow: the times are not known."
)
_LAST: Final = (
    "Whether the unit took the last packet: the recording ends before it was answered. Some units "
    "never answer it; reading the sample back shows it."
)
_NOT_KEPT: Final = (
    "Whether the unit keeps it: read it back with dryload read --from TARGET --sample {number}."
)
_HIDDEN: Final = {
    TakenAt.HOST: (
        "What happened to the bytes on their way to the unit: it was recorded at the computer."
    ),
    TakenAt.UNIT: (
        "It was recorded at the unit. Damage to the unit's answers on their way back does not show."
    ),
    TakenAt.UNKNOWN: (
        "Whether a damaged byte was sent like that or spoiled on the way: the file does not say "
        "at which end it was recorded."
    ),
}


def what_is_unknown(scene: Scene, *, is_named: bool) -> Iterator[str]:
    """Yield a line for everything that would matter here and does not show: what, and why.

    `is_named` is whether a cause is named: then a dump that came to nothing has its reason.
    """
    is_silent = scene.both and not any(True for _ in scene.spoke(Direction.FROM_UNIT))
    if not scene.both:
        yield _ONLY[scene.recorded.directions[0]]
    if not scene.is_timed:
        yield _NO_TIMES if scene.both else _NO_TIMES_ONE_WAY
    else:
        yield from _of_times(scene)
    if scene.dumps and not is_silent:
        yield from _of_place(scene)
    if any(_is_open(each) for each in scene.dumps):
        yield "What became of the last dump: the capture ends in the middle of it."
    if scene.both and not is_silent:
        if any(_ends_unanswered(each) for each in scene.sent[-1:]):
            yield _LAST
        yield from _of_keeping(scene)
    if any(_may_hide_damage(each, is_named) for each in scene.dumps) and not (
        is_named and is_silent
    ):
        yield UNSEEN


def _of_times(scene: Scene) -> Iterator[str]:
    sight = scene.sight
    if scene.recorded.is_from_port and scene.both:
        yield f"What is late by less than {duration(sight.tolerance_ns)}: its times are no finer."
    for direction in scene.recorded.directions:
        if not sight.is_paced[direction]:
            whose = "sender" if direction is Direction.TO_UNIT else "unit"
            yield (
                f"When each message of the {whose} began: they came faster than a MIDI cable "
                "carries them."
            )


def _of_place(scene: Scene) -> Iterator[str]:
    """Where it was taken hides damage, unless what the unit kept came back as it was sent."""
    text = _HIDDEN.get(scene.recorded.taken_at)
    if text is None or not scene.both:
        return
    if scene.recorded.taken_at is TakenAt.HOST and not any(map(_is_unproven, scene.sent)):
        return
    yield text


def _is_unproven(dump: DumpScene) -> bool:
    back = dump.returned
    if back is None or len(back.packets) != len(dump.packets):
        return True
    pairs = zip(dump.packets, back.packets, strict=True)
    return any(_content(there.best.body) != _content(here.best.body) for there, here in pairs)


def _content(packet: bytes) -> bytes:
    """Return number and data of a packet: its device ID may be another on the way back."""
    return packet[4:-2]


def _of_keeping(scene: Scene) -> Iterator[str]:
    for dump in scene.sent:
        if dump.ended is Ended.WHOLE and dump.returned is None:
            number = "N" if dump.header is None else str(dump.header.sample_number)
            yield _NOT_KEPT.format(number=number)
            return


def _ends_unanswered(dump: DumpScene) -> bool:
    last = dump.talk.exchanges[-1]
    is_missing = dump.ended is Ended.WHOLE and dump.returned is None and not last.is_answered
    return is_missing and last.place is not None and bool(dump.talk.replies)


def _is_open(dump: DumpScene) -> bool:
    return dump.ended is Ended.CUT


def _may_hide_damage(dump: DumpScene, is_named: bool) -> bool:
    return dump.source is None and (dump.ended is Ended.WHOLE or not is_named)
