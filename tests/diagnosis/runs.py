"""One labelled run: from a family, a number and a seed to a capture and the answers that are right.

Theory of operation.  The number decides the situation, the fault, the view and the place.  The run
is rehearsed with the fault and without it; `truth` compares the two.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from emulator.dump.capture import Capture, Direction
from emulator.line.dice import salt_of
from emulator.line.disturbance import AppliedFault
from emulator.wire.constants import ALL_CALL
from emulator.wire.sizes import words_per_packet
from harness.diagnose.scene import Source
from harness.faults.reading import read_all
from harness.files.recorded import BOTH, Recorded, TakenAt, back_to_back
from harness.jobs.dumps import Dump, source_of
from harness.jobs.rehearse import Rehearsal
from harness.jobs.transfer import Settings
from tests.diagnosis.alike import NOTHING, Alike, View
from tests.diagnosis.classes import (
    LAST_ANSWER_LOST,
    LEGAL,
    NO_DUMP_BACK,
    NONE_ANSWERED,
    STANDS_AT_WAIT,
)
from tests.diagnosis.family import Family, FileFault, Part, Shown, Spot
from tests.diagnosis.situation import (
    SHARED,
    Dice,
    Situation,
    Stays,
    dump_in,
    dump_of,
    unit_of,
)
from tests.diagnosis.truth import is_visible, packets_answered, place_of_difference, stands_at_wait

_ORDINALS: Final = ("2nd", "3rd", "4th", "5th", "7th")
_STAYS: Final[tuple[Stays, ...]] = ("again", "again", "go on")
_DIRECTIONS: Final = {View.TO: (Direction.TO_UNIT,), View.FROM: (Direction.FROM_UNIT,)}
_PACKET: Final = bytes((0xF0, 0x7E))


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A capture and the truth about it."""

    family: str
    number: int
    recorded: Recorded
    sources: tuple[Source, ...]
    accepted: frozenset[str]
    """Causes of which each is right; NOTHING among them: naming none is right as well."""
    packet: int | None
    """The packet that a right answer names; None where there is none to name."""
    is_visible: bool
    view: View
    told: str
    """Situation and fault in a line."""

    @property
    def is_open(self) -> bool:
        """Whether something is there, and may as well be nothing."""
        return self.is_visible and NOTHING in self.accepted and len(self.accepted) > 1

    @property
    def is_clean(self) -> bool:
        """Whether nothing may be named."""
        return self.accepted == {NOTHING}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsed:
    """What a rehearsal left."""

    capture: Capture
    struck: Sequence[AppliedFault]
    came_to: tuple[object, ...]
    """How the dump ended, to be compared with another."""


def rehearsed(situation: Situation, texts: Sequence[str], dump: Dump) -> Rehearsed:
    """Play a dump with disturbances."""
    asked = read_all(texts)
    settings = Settings(read_back=situation.read_back)
    sender = replace(
        settings.sender,
        after_silence=situation.stays,
        wrong_ack="cancel" if situation.wrong_ack else "ignore",
        sends_eof=situation.ends,
    )
    rehearsal = Rehearsal(
        asked.unit(unit_of(situation.profile)),
        settings=asked.settings(replace(settings, sender=sender)),
        disturbances=asked.placed,
        troubles=asked.troubles,
        link=asked.link,
        host_side=situation.host_side,
    )
    if not rehearsal.unit.memory.initialised:
        rehearsal.unit.panel.initialise(0)
    transfer = rehearsal.replay.play(dump)
    rehearsal.finish()
    return Rehearsed(
        capture=rehearsal.line.capture,
        struck=tuple(rehearsal.struck),
        came_to=(transfer.outcome, transfer.verified, transfer.sent),
    )


@lru_cache(maxsize=16)
def undisturbed(situation: Situation) -> Rehearsed:
    """Play the right dump with nothing wrong."""
    return rehearsed(situation, (), dump_of(situation))


def seen_in(view: View, capture: Capture) -> Recorded:
    """Return a capture as a view shows it."""
    return Recorded(
        capture=capture,
        directions=_DIRECTIONS.get(view, BOTH),
        is_timed=view is not View.UNTIMED,
        taken_at=TakenAt.HOST if view is View.HOST else TakenAt.LINE,
    )


def run_of(family: Family, number: int, seed: int) -> Run:
    """Return the run of this number, the same at all times."""
    salt = salt_of(family.name)
    dice = Dice(seed, salt, number, 2)
    shared = number if family.part is Part.HEALTHY else number // SHARED
    view = view_of(family, dice)
    situation, _ = situation_of(family, Dice(seed, salt, shared, 1), view)
    if family.file is not None:
        return _of_file(family, number, situation, view, dice)
    if family.script is not None:
        return _of_script(family, number, situation, view, dice)
    numbers = numbers_of(family, situation, dice)
    texts = texts_of(family, numbers)
    done = rehearsed(situation, texts, dump_of(situation))
    recorded = seen_in(view, done.capture)
    dump = dump_of(situation)
    with_source = _has_source(family, dice)
    visible, alike = False, LEGAL
    if family.part is not Part.HEALTHY:
        base = undisturbed(situation)
        harmed = done.came_to != base.came_to
        visible = not family.words or is_visible(recorded, seen_in(view, base.capture))
    if visible and (harmed or not family.needs_harm):
        shown = Shown(
            situation,
            view,
            with_source,
            done.struck,
            numbers,
            one_packet=_one_packet(done.capture),
            answered=packets_answered(done.capture),
            harmed=harmed,
            stands_at_wait=stands_at_wait(done.capture),
        )
        alike = class_of(family, shown)
    packet = None
    if family.spot is Spot.STRUCK and done.struck:
        packet = done.struck[0].packet
    elif family.spot is Spot.DIFFERS and visible:
        packet = place_of_difference(done.capture, undisturbed(situation).capture)
    return Run(
        family=family.name,
        number=number,
        recorded=recorded,
        sources=(source_of(dump),) if with_source else (),
        accepted=alike.causes,
        packet=packet if alike.has_place and alike is not LEGAL else None,
        is_visible=visible,
        view=view,
        told=_told(situation, view, texts, with_source),
    )


def class_of(family: Family, shown: Shown) -> Alike:
    """Return the class of a run that shows its fault."""
    alike = family.refine(shown) if family.refine is not None else None
    if alike is None:
        hosted = family.host
        alike = hosted if shown.view is View.HOST and hosted is not None else family.line
    more: set[str] = set()
    if "answers lost on the way back" in alike.causes:
        if not shown.answered:
            more |= NONE_ANSWERED.causes
        if shown.stands_at_wait:
            more |= STANDS_AT_WAIT.causes
        if shown.struck and shown.struck[0].packet == shown.last:
            more |= LAST_ANSWER_LOST.causes
            if shown.situation.read_back:
                more |= NO_DUMP_BACK.causes
    return replace(alike, causes=alike.causes | more) if more else alike


def view_of(family: Family, dice: Dice) -> View:
    """Return one of the views in which a family is seen."""
    return dice.one_of(family.views, "view")


def situation_of(family: Family, dice: Dice, view: View | None = None) -> tuple[Situation, View]:
    """Return the situation of a family that these dice throw, and the view if there is none yet."""
    view = view_of(family, dice) if view is None else view
    name = dice.one_of(family.profiles, "profile")
    profile = unit_of(name)
    possible = [bits for bits in family.bits if bits in profile.words.accepts] or family.bits
    bits = dice.one_of(possible or profile.words.accepts, "bits")
    channels = 2 if family.stereo else 1
    slot = profile.slots.protected[0] - 1 if family.protected else 2 + dice.below(4, "slot")
    own = profile.unit.device_id
    device_id = (own + 1 + dice.below(100, "device")) % ALL_CALL if family.other_device else own
    looped = dice.below(3, "loop") == 0 if family.looped is None else family.looped
    situation = Situation(
        profile=name,
        content=dice.one_of(family.contents, "content"),
        bits=bits,
        frames=_frames(family, bits, channels, dice),
        channels=channels,
        looped=looped,
        name="gull" if family.named else "",
        header="extended" if family.extended else "auto",
        number=profile.slots.first_number + slot,
        device_id=ALL_CALL if family.all_call else device_id,
        seed=dice.below(1 << 20, "sound"),
        read_back=_choice(family.read_back, dice, "read back"),
        stays=dice.one_of(_STAYS if family.stays is None else (family.stays,), "stays"),
        wrong_ack=family.wrong_ack,
        ends=family.ends,
        host_side=view is View.HOST,
    )
    return situation, view


def numbers_of(family: Family, situation: Situation, dice: Dice) -> Mapping[str, int]:
    """Return what the words of a family leave open."""
    packets = situation.packets
    usual = {
        "p": range(packets),
        "m": range(max(packets - 1, 1)),
        "i": range(1, packets - 1) if packets > 2 else range(packets),
        "n": range(2, 7),
        "s": range(100_000),
        "t": range(6, 40 * packets),
        "o": range(len(_ORDINALS)),
    }
    spans = {**usual, **family.numbers}
    spans |= {name: range(len(words)) for name, words in family.choices.items()}
    return {name: dice.within(span, name) for name, span in spans.items()}


def texts_of(family: Family, numbers: Mapping[str, int]) -> tuple[str, ...]:
    """Return the words of a family with everything filled in."""
    filled: dict[str, object] = {**numbers, "o": _ORDINALS[numbers["o"]]}
    if "every" in numbers:
        filled["every"] = (
            _nth(numbers["every"]) if "-{every}" in family.words[0] else filled["every"]
        )
    filled |= {name: words[numbers[name]] for name, words in family.choices.items()}
    return tuple(words.replace("{every}th", "{every}").format(**filled) for words in family.words)


def _nth(number: int) -> str:
    tens, ones = number // 10 % 10, number % 10
    return f"{number}{'th' if tens == 1 else {1: 'st', 2: 'nd', 3: 'rd'}.get(ones, 'th')}"


def _frames(family: Family, bits: int, channels: int, dice: Dice) -> int:
    if family.one_word:
        return 1
    per_packet = words_per_packet(bits)
    total = dice.within(family.packets, "packets") * per_packet
    how = dice.below(4, "last packet")
    if family.full is False or (family.full is None and how > 1):
        total -= 1 + dice.below(per_packet - 1, "less")
    elif family.full is None and how == 1:
        total -= per_packet - 1
    return max(total // channels, 1)


def _choice(fixed: bool | None, dice: Dice, name: str) -> bool:
    return dice.below(2, name) == 0 if fixed is None else fixed


def _has_source(family: Family, dice: Dice) -> bool:
    return dice.below(3, "source") == 0 if family.source is None else family.source


def _of_file(family: Family, number: int, situation: Situation, view: View, dice: Dice) -> Run:
    assert family.file is not None
    fault: FileFault = family.file(dice, situation)
    dump = None if view is View.FILE else dump_in(fault.data)
    right = dump_of(situation).outgoing
    if dump is None:
        recorded = _bytes_alone(fault.data)
        whole = b"".join((right.header, *map(bytes, right.packets), *right.after))
        visible = fault.data != whole
        view = View.FILE
    else:
        done = rehearsed(situation, (), dump)
        recorded = seen_in(view, done.capture)
        visible = is_visible(recorded, seen_in(view, undisturbed(situation).capture))
    with_source = dump is not None and _has_source(family, dice)
    one = _one_packet(recorded.capture)
    shown = Shown(situation, view, with_source, (), {}, one_packet=one)
    alike = class_of(family, shown) if visible else LEGAL
    return Run(
        family=family.name,
        number=number,
        recorded=recorded,
        sources=(source_of(dump),) if dump is not None and with_source else (),
        accepted=alike.causes,
        packet=fault.packet if family.spot is Spot.STRUCK and visible else None,
        is_visible=visible,
        view=view,
        told=_told(situation, view, (), with_source),
    )


def _of_script(family: Family, number: int, situation: Situation, view: View, dice: Dice) -> Run:
    """Return the capture of a good run in which something was said that nobody here ever says."""
    assert family.script is not None
    right = undisturbed(situation).capture
    capture, packet = family.script(dice, situation, right)
    with_source = _has_source(family, dice)
    return Run(
        family=family.name,
        number=number,
        recorded=seen_in(view, capture),
        sources=(source_of(dump_of(situation)),) if with_source else (),
        accepted=family.line.causes,
        packet=packet,
        is_visible=True,
        view=view,
        told=_told(situation, view, (), with_source),
    )


def _bytes_alone(data: bytes) -> Recorded:
    passages = back_to_back([(Direction.TO_UNIT, data)])
    return Recorded(
        capture=Capture(passages=passages),
        directions=(Direction.TO_UNIT,),
        is_timed=False,
        taken_at=TakenAt.UNKNOWN,
    )


def _one_packet(capture: Capture) -> bool:
    data = capture.bytes_of(Direction.TO_UNIT)
    numbers = set()
    at = data.find(_PACKET)
    while 0 <= at < len(data) - 4:
        if data[at + 3] == 2:
            numbers.add(data[at + 4])
        at = data.find(_PACKET, at + 1)
    return len(numbers) <= 1


def _told(situation: Situation, view: View, texts: Sequence[str], with_source: bool) -> str:
    wrong = " and ".join(f'"{each}"' for each in texts) or "(in the dump or the setting)"
    return (
        f"{wrong}; {situation.packets} packets of {situation.bits} bits, {situation.content}, to "
        f"{situation.profile}, sender {situation.stays}, "
        f"{'read back' if situation.read_back else 'not read back'}; view: {view}"
        f"{', with source' if with_source else ''}"
    )
