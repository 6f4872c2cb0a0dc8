"""Silence, device IDs, requests, and what disturbs a WAIT."""

from collections.abc import Callable, Iterator
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.codec import Foreign, Malformed, device_of
from emulator.wire.constants import ALL_CALL, MAX_BITS, MIN_BITS, PACKET_NUMBERS
from emulator.wire.messages import (
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    HandshakeKind,
    IdentityReply,
    IdentityRequest,
)
from emulator.wire.sizes import bytes_per_word
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.rules_answers_seen import (
    echoes_in,
    is_doubled_there,
    is_plain,
    named,
    suspect,
)
from harness.diagnose.rules_file_common import sound_data
from harness.diagnose.scene import DumpScene, Scene, unit_spoke_exclusive
from harness.judge.dialogue.exchanges import Ended
from harness.judge.dialogue.follow import QuestionExchange
from harness.judge.finding import Finding
from harness.judge.timed_messages import TimedMessage

_SILENT_NS: Final = 1_000_000_000
"""How long a capture has to go on for a question to count as not answered (our choice)."""
_ENDED_BADLY: Final = (Ended.GIVEN_UP, Ended.SHORT, Ended.STOPPED, Ended.REPLACED)
_JUST_BEFORE_NS: Final = 3_000_000_000
_HALF: Final = 2  # of the words of a sample that comes back have to be those that were sent


def _own_words(scene: Scene) -> list[TimedMessage]:
    """Return what the unit said of its own, what came back aside."""
    echoed = {id(heard) for heard, _ in echoes_in(scene)}
    return [each for each in scene.spoke(Direction.FROM_UNIT) if id(each) not in echoed]


def silence(scene: Scene) -> Iterator[Suspicion]:
    """Tell of a unit that never says a word (T01, T02); that some never do is told with it."""
    said = list(scene.spoke(Direction.TO_UNIT))
    if not scene.both or not said or _own_words(scene):
        return
    if any(each.header is None for each in scene.sent):
        return  # without its header a dump is passed over, and rightly
    asked = [each for each in scene.followed.course.asked if _is_unanswered(scene, each)]
    if not asked and not any(each.packets or _is_stuck(each) for each in scene.sent):
        return
    place = scene.place(said[0])
    text = "Nothing at all came back from the unit, from the first message to the end."
    yield Suspicion(
        cause="nothing comes back",
        strength=Strength.FAIR,
        evidence=(Evidence(text=text, at=place),),
        at=place,
    )


def _is_stuck(dump: DumpScene) -> bool:
    """Whether a sender never got beyond its header, and there was time."""
    return dump.ended in (Ended.GIVEN_UP, Ended.STOPPED)


def _is_unanswered(scene: Scene, asked: QuestionExchange) -> bool:
    if asked.heard.direction is not Direction.TO_UNIT or asked.answers or asked.cancelled:
        return False
    since_ns = scene.sight.last_ns - asked.heard.end_ns
    last = list(scene.spoke(Direction.TO_UNIT))[-1]
    return (scene.is_timed and since_ns > _SILENT_NS) or last is not asked.heard


def _had_dump(scene: Scene, asked: QuestionExchange) -> bool:
    """Whether a request asks for what was sent before: without that dump there is nothing."""
    if not isinstance(asked.message, DumpRequest):
        return False
    return any(
        each.header is None or each.header.sample_number == asked.message.sample_number
        for each in scene.sent
    )


def no_answers_to_packets(scene: Scene) -> Iterator[Suspicion]:
    """Suspect an open loop where the unit speaks, and not to packets (T01, T59)."""
    for dump in scene.sent if scene.both else ():
        packets = dump.packets
        if not dump.talk.is_full or any(each.replies for each in packets):
            continue
        if any(each.jump for each in packets) or is_doubled_there(dump):
            continue
        if not all(is_plain(one) for each in packets for one in each.sendings):
            continue
        if dump.header_replies and len(packets) == 1:
            continue  # the last packet of a dump is left unanswered by some
        spoke = [each for each in _own_words(scene) if _is_later(dump, each)]
        if not dump.header_replies and not _proves_hearing(dump, spoke):
            continue
        later = " It spoke later." if spoke else ""
        strength = Strength.STRONG if dump.header_replies and spoke else Strength.FAIR
        first = packets[0]
        said = "answered the header" if dump.header_replies else "answered nothing of the dump"
        yield suspect(
            "unit hears and does not answer packets",
            strength,
            dump,
            f"The unit {said}, and none of the {len(packets):,} packets.{later}",
            heard=first.sendings[0],
            exchange=first,
        )
        yield suspect(
            "answers lost on the way back",
            Strength.FAIR,
            dump,
            f"Not one of {len(packets):,} packets was answered.",
            heard=first.sendings[0],
            exchange=None if not dump.header_replies else first,
        )


def _is_later(dump: DumpScene, heard: TimedMessage) -> bool:
    known = isinstance(heard.message, DumpHeader | ExtendedHeader | IdentityReply)
    return known and heard.end_ns > dump.talk.last_ns


def _proves_hearing(dump: DumpScene, spoke: list[TimedMessage]) -> bool:
    """Whether what came later shows that the unit has heard this dump."""
    returned = dump.returned
    return returned is not None and bool(spoke) and _is_alike(dump, returned)


def _is_alike(dump: DumpScene, returned: DumpScene) -> bool:
    """Whether what came back may be what was sent, and not an older sample of its number."""
    sent, got = _upper_bits(dump), _upper_bits(returned)
    least = min(len(sent), len(got))
    if not least or _HALF * least < max(len(sent), len(got)):
        return False
    equal = sum(one == other for one, other in zip(sent, got, strict=False))
    return _HALF * equal >= least


def _upper_bits(dump: DumpScene) -> bytes:
    """Return the upper seven bits of each word, which a unit of another width keeps."""
    if dump.header is None or not MIN_BITS <= dump.header.bits <= MAX_BITS:
        return b""
    size = bytes_per_word(dump.header.bits)
    return sound_data(dump)[::size][: dump.header.length * max(dump.header.channels, 1)]


# Device IDs.


def other_device(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the device ID where the unit tells another one, or answers only to another (T03)."""
    if not scene.both:
        return
    own = _told_devices(scene) | _answering_devices(scene)
    for device, heard, dump in _unanswered_devices(scene):
        others = own - {device, ALL_CALL}
        to_all = ALL_CALL in _answered_devices(scene)
        if device == ALL_CALL or device in own or not (others or to_all):
            continue
        which = ", ".join(str(each) for each in sorted(others)) or "messages for all devices only"
        place = scene.place(heard)
        yield Suspicion(
            cause="other device ID",
            strength=Strength.STRONG,
            evidence=(
                Evidence(
                    text=f"What is for device {device} got no answer; the unit's own answers show "
                    f"that it is device {which}."
                    if others
                    else f"What is for device {device} got no answer, and what is for all devices "
                    "was answered.",
                    at=place,
                    shown=heard.body[:6].hex(" "),
                ),
            ),
            at=place,
            dump=None if dump is None else dump.index,
        )
        return


def _told_devices(scene: Scene) -> set[int]:
    return {
        each.message.device_id
        for each in scene.followed.course.told
        if isinstance(each.message, IdentityReply) and each.direction is Direction.FROM_UNIT
    }


def _answering_devices(scene: Scene) -> set[int]:
    return {reply.message.device_id for dump in scene.sent for reply in dump.talk.replies}


def _answered_devices(scene: Scene) -> set[int]:
    """Return the device IDs of messages to the unit that got an answer."""
    found = {dump.talk.device_id for dump in scene.sent if dump.talk.replies}
    found |= {
        asked.message.device_id
        for asked in scene.followed.course.asked
        if asked.answers
        and not isinstance(asked.message, IdentityRequest)
        and asked.heard.direction is Direction.TO_UNIT
    }
    return {each for each in found if each is not None}


def _unanswered_devices(scene: Scene) -> Iterator[tuple[int, TimedMessage, DumpScene | None]]:
    for dump in scene.sent:
        if dump.talk.device_id is not None and not dump.talk.replies and dump.header is not None:
            yield dump.talk.device_id, dump.talk.sent[0][1], dump
    for asked in scene.followed.course.asked:
        if isinstance(asked.message, DumpRequest) and _is_unanswered(scene, asked):
            yield asked.message.device_id, asked.heard, None


# Requests.


def requests(scene: Scene) -> Iterator[Suspicion]:
    """Suspect what was asked for, or the unit, where a request leads to nothing or to another."""
    if not scene.both:
        return
    for asked in scene.followed.course.asked:
        message = asked.message
        if not isinstance(message, DumpRequest) or asked.heard.direction is not Direction.TO_UNIT:
            continue
        if asked.answers:
            yield from _other_sample(scene, asked, message.sample_number)
        elif _is_unanswered(scene, asked):
            strength = _missed(scene, asked)
            if strength is None:
                continue
            place = scene.place(asked.heard)
            text = f"Sample {message.sample_number:,} was asked for, and no dump followed."
            yield Suspicion(
                cause="request unanswered",
                strength=strength,
                evidence=(Evidence(text=text, at=place, shown=asked.heard.body.hex(" ")),),
                at=place,
            )


def _missed(scene: Scene, asked: QuestionExchange) -> Strength | None:
    """Return how odd it is that a request was not answered; None where it need not be."""
    if not _had_dump(scene, asked):
        return Strength.STRONG if unit_spoke_exclusive(scene) else Strength.WEAK
    before = [
        each for each in scene.sent if each.talk.last_ns <= asked.heard.end_ns and each.header
    ]
    if not before or before[-1].ended is not Ended.WHOLE:
        return None
    taken = [
        any(one.kind is HandshakeKind.ACK and one.binds for one in each.replies)
        for each in before[-1].packets
    ]
    return Strength.FAIR if taken and all(taken[:-1]) and taken[0] else None


def _other_sample(scene: Scene, asked: QuestionExchange, wanted: int) -> Iterator[Suspicion]:
    header = asked.answers[0].message
    if not isinstance(header, DumpHeader | ExtendedHeader) or header.sample_number == wanted:
        return
    got = header.sample_number
    swapped = got == wanted % PACKET_NUMBERS * PACKET_NUMBERS + wanted // PACKET_NUMBERS
    by_rule = swapped or abs(got - wanted) == 1
    place = scene.place(asked.answers[0])
    how = " The two bytes of the number are swapped." if swapped else ""
    yield Suspicion(
        cause="request answered with another sample",
        strength=Strength.STRONG if by_rule else Strength.FAIR,
        evidence=(
            Evidence(
                text=f"Sample {wanted:,} was asked for and sample {got:,} came.{how}",
                at=place,
                shown=asked.answers[0].body[:21].hex(" "),
            ),
        ),
        at=place,
    )


# Waiting and sensing.


def disturbed_waits(scene: Scene) -> Iterator[Suspicion]:
    """Suspect a message in the middle of a WAIT after which no packet came (T60)."""
    for dump in scene.sent if scene.both else ():
        last = dump.talk.exchanges[-1]
        reply = last.last_reply
        if reply is None or reply.kind.name != "WAIT" or dump.talk.is_full:
            continue
        between = list(_during(scene, dump, reply.end_ns))
        if not between or not _is_readable(between[0]) or dump.ended is Ended.CUT:
            continue
        yield suspect(
            "disturbed while waiting",
            Strength.STRONG,
            dump,
            f"After the unit had asked for patience (WAIT) at {named(last)}, it sent something "
            "else, and no packet followed.",
            heard=between[0],
            exchange=last,
            shown=between[0].piece.raw[:8].hex(" "),
        )


def _during(scene: Scene, dump: DumpScene, wait_ns: int) -> Iterator[TimedMessage]:
    """Yield what the unit said after its WAIT and before the sender spoke again, unasked."""
    spoke = (each.start_ns for each in scene.spoke(Direction.TO_UNIT))
    again_ns = next((each for each in spoke if each >= wait_ns), None)
    for each in (*dump.talk.others, *scene.followed.course.loose):
        if each.direction is not Direction.FROM_UNIT or each.end_ns < wait_ns:
            continue
        if again_ns is None or each.end_ns <= again_ns:
            yield each


def _is_readable(heard: TimedMessage) -> bool:
    message = heard.message
    if isinstance(message, Malformed):
        return False
    return message is None or isinstance(message, Foreign) or device_of(message) is not None


def sensing(scene: Scene) -> Iterator[Suspicion]:
    """Suspect active sensing that ceased where the dump was lost right after it (T20)."""
    found = [each for each in scene.verdicts.findings if _is_sensing(each)]
    for dump in scene.sent if scene.both and scene.is_timed else ():
        if dump.ended not in _ENDED_BADLY and not _went_unanswered(dump):
            continue
        for each in found:
            at_ns = each.at.time_ns
            if at_ns is None or not _is_near(dump, at_ns):
                continue
            text = (
                "The sender's active sensing fell silent for more than 300 ms, and the unit took "
                "nothing of the dump after that."
            )
            yield Suspicion(
                cause="sensing fell silent",
                strength=Strength.STRONG,
                evidence=(Evidence(text=text, at=each.at),),
                at=each.at,
                dump=dump.index,
            )
            break


def _is_sensing(found: Finding) -> bool:
    return found.clause == "TIM-09" and found.answerable.name == "SENDER"


def _went_unanswered(dump: DumpScene) -> bool:
    packets = dump.packets
    return bool(dump.header_replies) and len(packets) > 1 and not any(p.replies for p in packets)


def _is_near(dump: DumpScene, at_ns: int) -> bool:
    """Whether an instant lies in a dump, before its unanswered part."""
    first_ns = dump.talk.sent[0][1].start_ns
    return first_ns - _JUST_BEFORE_NS <= at_ns < dump.talk.last_ns


CONTACT_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    silence,
    no_answers_to_packets,
    other_device,
    requests,
    disturbed_waits,
    sensing,
)
