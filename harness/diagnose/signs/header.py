"""Sample numbers whose two bytes stand the other way round: of a dump, and of the name after it."""

from collections.abc import Iterator
from typing import Final

from dryload.emulator.wire.messages import SampleName
from dryload.emulator.wire.sevenbit import from_groups, to_groups
from dryload.harness.diagnose.scene import Scene
from dryload.harness.diagnose.sign import Sign, shown, sign
from dryload.harness.judge.dialogue.exchanges import CANCEL


def numbers(scene: Scene) -> Iterator[Sign]:
    """Tell of a dump that the source has under the number turned round, or the unit refused."""
    for dump in scene.sent:
        header, source = dump.header, dump.source
        if header is None or header.sample_number == 0:
            continue
        meant = _turned(header.sample_number)
        wanted = None if source is None else source.header.sample_number
        proved = meant == wanted != header.sample_number
        last = dump.header_replies[-1] if dump.header_replies else None
        refused = last is not None and last.kind is CANCEL and not dump.packets
        may_be = wanted in (None, header.sample_number) and header.sample_number % 128 == 0
        if proved or (may_be and refused):
            yield sign(
                "number looks swapped",
                dump,
                f"The header names sample {header.sample_number:,}; with its two bytes the other "
                f"way round it would be {meant:,}.",
                "" if proved else "The unit refused it (CANCEL) at once.",
                at=dump.start,
                shown=shown(dump.headers[-1].body),
                proved=proved,
            )


def names(scene: Scene) -> Iterator[Sign]:
    """Tell of a name that bears the number of the dump before it the other way round."""
    for dump in scene.sent:
        until = None if dump.talk.followed is None else dump.talk.followed.sent[0][1].place
        since = dump.talk.sent[-1][1].place
        loose = (
            each
            for each in scene.followed.course.loose
            if each.direction is dump.talk.direction
            and each.place > since
            and (until is None or each.place < until)
        )
        for heard in (*dump.talk.besides, *loose):
            message, header = heard.message, dump.header
            if header is None or not isinstance(message, SampleName):
                continue
            if _turned(message.sample_number) == header.sample_number != message.sample_number:
                text = (
                    f"The name is for sample {message.sample_number:,}, the dump before it is "
                    f"sample {header.sample_number:,}: the two bytes are exchanged."
                )
                at = dump.place(heard)
                yield sign("name swapped", dump, text, at=at, shown=shown(heard.body))


def _turned(number: int) -> int:
    return from_groups(to_groups(number, 2)[::-1])


HEADER: Final = (numbers, names)
