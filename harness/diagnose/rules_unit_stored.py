"""What the unit keeps, by what it sends back when it is asked."""

from collections.abc import Callable, Iterator
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.messages import DumpRequest
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.rules_answers_seen import ACK, named
from harness.diagnose.rules_unit_stored_words import Kept, Stored, is_taken, stored
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.dialogue.follow import QuestionExchange
from harness.judge.dialogue.judge import Ended
from harness.judge.finding import Place
from harness.judge.plain import counted

_SILENT_NS: Final = 2_000_000_000  # time for a dump to begin after a request (our choice)
_MOST_WORDS: Final = 3


def what_came_back(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the unit where what it was sent and what it sends differ (T24, T33, T54, T58)."""
    for dump in scene.sent if scene.both else ():
        found = stored(dump)
        if found is None or found.kept is Kept.SAME:
            continue
        if found.change:
            yield _told(dump, found, "unit changes the width", Strength.SURE, f"{found.change}.")
        if found.kept is not Kept.OTHER_WIDTH and is_taken(dump):
            yield from _accused(dump, found)


def _accused(dump: DumpScene, found: Stored) -> Iterator[Suspicion]:
    # Only where the capture shows what arrived was it surely the unit that changed it.
    seen = dump.scene.shows_damage(Direction.TO_UNIT)
    sure = Strength.SURE if seen else Strength.STRONG
    if not seen and not _is_acknowledged(dump, found.packet):
        sure = Strength.FAIR  # the last one, which need not be answered, and may have been lost
    match found.kept:
        case Kept.FILLER:
            text = (
                "More words came back than the header announced, and the ones too many are those "
                "that filled up the last packet."
            )
            yield _told(dump, found, "unit keeps the filler", Strength.SURE, text)
        case Kept.TWICE:
            text = (
                f"In what came back packet {found.packet:,} stands twice, and all that follows is "
                "late by one packet."
            )
            yield _told(dump, found, "unit stores a packet twice", Strength.SURE, text)
        case Kept.SILENT | Kept.ANOTHER:
            what = "an empty sample" if found.kept is Kept.SILENT else "another, older sample"
            text = f"The unit said yes (ACK) to every packet, and {what} came back."
            yield _told(dump, found, "unit stores nothing", Strength.STRONG, text)
        case Kept.LEFT_OUT:
            text = f"The unit said yes (ACK) to packet {found.packet:,} and left it out."
            yield _told(dump, found, "unit stores other words", sure, text)
        case Kept.TOO_SHORT:
            text = f"The unit kept only what came before the middle of packet {found.packet:,}."
            yield _told(dump, found, "unit stores other words", sure, text)
        case Kept.WORDS:
            # Bytes that change places on the way back leave a checksum as it was, too.
            strength = Strength.FAIR if found.is_neutral else sure
            text = _of_words(found)
            yield _told(dump, found, "unit stores other words", strength, text)


def _is_acknowledged(dump: DumpScene, place: int | None) -> bool:
    mine = (each for each in dump.packets if each.place == place)
    return any(reply.kind is ACK for each in mine for reply in each.replies)


def _of_words(found: Stored) -> str:
    index, sent, back = found.words[0]
    text = (
        f"Packet {found.packet:,} was acknowledged, and word {index:,} came back as {back:,} "
        f"instead of {sent:,}"
    )
    more = len(found.words) - 1
    if not more:
        return text + "."
    inside = f" in {counted(len(found.packets), 'packet')}" if len(found.packets) > 1 else ""
    return f"{text}; {counted(len(found.words), 'word')}{inside} differ in all."


def _told(dump: DumpScene, found: Stored, cause: str, strength: Strength, text: str) -> Suspicion:
    exchange = next((each for each in dump.packets if each.place == found.packet), None)
    place = dump.place(None if exchange is None else exchange.best, exchange)
    words = found.words[:_MOST_WORDS]
    return Suspicion(
        cause=cause,
        strength=strength,
        evidence=(
            Evidence(
                text=text[0].upper() + text[1:],
                at=None if exchange is None else place,
                shown="; ".join(
                    f"word {at:,}: {back:,} instead of {sent:,}" for at, sent, back in words
                ),
            ),
        ),
        at=None if exchange is None else place,
        dump=dump.index,
    )


def is_not_there(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the unit where it took all of a sample and does not know it later (T45, T54, T58)."""
    for dump in scene.sent if scene.both else ():
        if dump.header is None or dump.ended is not Ended.WHOLE or not is_taken(dump):
            continue
        if dump.returned is not None:
            continue
        asked = next((each for each in _asked_after(scene, dump)), None)
        if asked is None:
            continue
        place = scene.place(asked.heard)
        other = _elsewhere(scene, dump)
        if other is not None and other.header is not None:
            yield _is_elsewhere(
                dump, other.header.sample_number, place, by_itself=not asked.answers
            )
        elif not asked.answers and _had_time(scene, asked):
            number = dump.header.sample_number
            knows = any(each.answers and each is not asked for each in _asked(scene))
            refused = asked.cancelled is not None
            answered = ", and another one was sent when it was asked for" if knows else ""
            answered = ", but a refusal (CANCEL)" if refused else answered
            last = dump.packets[-1]
            said_all = _is_acknowledged(dump, last.place)
            what = "all of" if said_all else f"all but {named(last)}, the last one, of"
            text = (
                f"The unit said yes (ACK) to {what} sample {number:,}, and when it was asked for "
                f"it did not come{answered}."
            )
            strength = Strength.STRONG if knows or refused else Strength.FAIR
            yield Suspicion(
                cause="unit stores nothing",
                # Without its last packet a sample may not be whole, and so not be there by right.
                strength=strength if said_all else Strength.WEAK,
                evidence=(Evidence(text=text, at=place, shown=asked.heard.body.hex(" ")),),
                at=place,
                dump=dump.index,
            )


def _asked(scene: Scene) -> Iterator[QuestionExchange]:
    return (
        each
        for each in scene.followed.course.asked
        if isinstance(each.message, DumpRequest) and each.heard.direction is Direction.TO_UNIT
    )


def _asked_after(scene: Scene, dump: DumpScene) -> Iterator[QuestionExchange]:
    """Yield the requests for what a dump brought, before another one was sent there."""
    assert dump.header is not None
    number = dump.header.sample_number
    after = dump.talk.sent[-1][1].place
    later = [
        each.talk.sent[0][1].place
        for each in scene.sent
        if each.index > dump.index and (each.header is None or each.header.sample_number == number)
    ]
    until = min(later, default=None)
    for each in _asked(scene):
        place = each.heard.place
        if place > after and (until is None or place < until):
            assert isinstance(each.message, DumpRequest)
            if each.message.sample_number == number:
                yield each


def _had_time(scene: Scene, asked: QuestionExchange) -> bool:
    if asked.cancelled is not None:
        return asked.cancelled.direction is Direction.FROM_UNIT
    since_ns = scene.sight.last_ns - asked.heard.end_ns
    last = list(scene.spoke(Direction.TO_UNIT))[-1]
    return (scene.is_timed and since_ns > _SILENT_NS) or last is not asked.heard


def _elsewhere(scene: Scene, dump: DumpScene) -> DumpScene | None:
    """Return what came back under another number and has the words of this dump."""
    assert dump.header is not None
    before = {
        each.header.sample_number
        for each in scene.dumps[: dump.index + 1]
        if each.header is not None
    }
    for other in scene.dumps[dump.index + 1 :]:
        if other.talk.direction is Direction.TO_UNIT:
            return None
        if other.header is None or other.header.sample_number in before:
            continue
        found = stored(dump, other)
        if found is not None and found.kept in (Kept.SAME, Kept.OTHER_WIDTH, Kept.FILLER):
            return other
    return None


def _is_elsewhere(dump: DumpScene, found: int, place: Place, *, by_itself: bool) -> Suspicion:
    assert dump.header is not None
    number = dump.header.sample_number
    text = f"Sample {number:,} was sent, and its words came back as sample {found:,}"
    text += f"; sample {number:,} itself did not come when it was asked for." if by_itself else "."
    return Suspicion(
        cause="unit puts it elsewhere",
        # That it gave this one for the number asked for may be a fault of the answer alone.
        strength=Strength.SURE if by_itself else Strength.FAIR,
        evidence=(Evidence(text=text, at=place),),
        at=place,
        dump=dump.index,
    )


UNIT_STORED_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    what_came_back,
    is_not_there,
)
