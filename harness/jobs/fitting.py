"""A dump for a certain unit: what was not asked for is as that unit takes it.

What was asked for stays; whether the unit takes the dump then, and what it would change of it, the
unit's own rules say.
"""

from msgspec.structs import replace

from dryload.emulator.dump.outgoing import outgoing
from dryload.emulator.unit.admission import plan_for, room_for
from dryload.emulator.unit.memory import Memory
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.slots import Slots
from dryload.emulator.wire.codec import decode, encode
from dryload.emulator.wire.constants import ALL_CALL, LOOP_TYPES
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader, SampleName
from dryload.harness.files import audio
from dryload.harness.files.opening import shown
from dryload.harness.jobs import shape
from dryload.harness.jobs.convert import Encoded, EncodeOptions, encode_recording
from dryload.harness.judge.headers import NO_LOOP_TYPES
from dryload.harness.judge.plan import turned


def encode_for(path: str, options: EncodeOptions, profile: Profile) -> Encoded:
    """Return the dump of an audio file for a unit; remarks say what was done for it."""
    made = encode_recording_for(audio.read(path), options, profile, shown(path))
    return replace(made, remarks=(*made.remarks, *_said_by(profile, made)))


def encode_recording_for(
    source: audio.Recording, options: EncodeOptions, profile: Profile, name: str
) -> Encoded:
    """Return the dump of a recording for a unit; a Problem calls the recording by its `name`."""
    fitted, remarks = _fitted(options, source, profile)
    if source.loop is not None and _is_unknown(source.loop.loop_type, profile):
        source = replace(source, loop=replace(source.loop, loop_type=0x00))
        remarks += (f"{profile.name} knows no backward loops: the loop is a forward one",)
    made = encode_recording(shape.with_remarks(source, *remarks), fitted, name)
    if options.loop is None and profile.habits.loop_end == "exclusive":
        made = _with_later_end(made, fitted, profile.name)
    if profile.habits.name_number_order == "high first":
        after = tuple(_high_first(message) for message in made.dump.after)
        made = replace(made, dump=replace(made.dump, after=after))
    return made


def first_number(profile: Profile) -> int:
    """Return the lowest sample number under which a unit takes a sample."""
    slots = list(Slots(profile.slots))
    return next((each for each in slots if not each.protected), slots[0]).sample_number


def _with_later_end(made: Encoded, options: EncodeOptions, unit: str) -> Encoded:
    """Return a dump whose loop is what it was for a unit that does not play its end."""
    loop = made.sample.sustain
    if loop.loop_type in NO_LOOP_TYPES or loop.end + 1 >= made.sample.frames:
        return made
    sample = replace(made.sample, sustain=replace(loop, end=loop.end + 1))
    dump = outgoing(
        sample,
        number=options.number,
        device_id=made.dump.device_id,
        header=options.header,
    )
    said = f"{unit} does not play the word at a loop's end: the loop is stated one word longer"
    return replace(made, sample=sample, dump=dump, remarks=(*made.remarks, said))


def _high_first(body: bytes) -> bytes:
    """Return a name with its sample number in the other order (NAM-03)."""
    message = decode(body)
    if not isinstance(message, SampleName):
        return body
    return encode(replace(message, sample_number=turned(message.sample_number, 2)))


def _is_unknown(loop_type: int, profile: Profile) -> bool:
    return loop_type not in LOOP_TYPES and not profile.knows.extended


def _fitted(
    options: EncodeOptions, source: audio.Recording, profile: Profile
) -> tuple[EncodeOptions, tuple[str, ...]]:
    words, remarks, unit = profile.words, list[str](), profile.name
    if options.bits is None:
        bits = words.width_for(source.bits)
        options = replace(options, bits=bits)
        if bits != source.bits:
            remarks.append(f"words have {bits} bits, as {unit} takes them")
    if options.channel is None and source.channels > 1 and source.channels in words.channels:
        options = replace(options, channel="both")
    if options.device_id is None and profile.unit.device_id:
        options = replace(options, device_id=profile.unit.device_id)
        remarks.append(f"it is for device ID {profile.unit.device_id}, that of {unit}")
    name = options.name[: profile.slots.name_length if profile.knows.names else 0]
    if name != options.name:
        what = f"cut to {shown(name)}" if name else f"not sent: {unit} takes none"
        remarks.append(f"the name {shown(options.name)} is {what}")
        options = replace(options, name=name)
    return options, tuple(remarks)


def _said_by(profile: Profile, made: Encoded) -> tuple[str, ...]:
    """Return why a unit would not take a dump, or what it would change of it."""
    header, unit = decode(made.dump.header), profile.unit
    assert isinstance(header, DumpHeader | ExtendedHeader)
    own = header.device_id == unit.device_id or (header.device_id == ALL_CALL and unit.all_call)
    if not own:
        return (f"{unit.name} does not hear it: it has device ID {unit.device_id}",)
    if made.extended and not profile.knows.extended and made.dump.fallback is None:
        return (f"{unit.name} does not know the extended header, which this dump needs",)
    plan = plan_for(header, profile, Slots(profile.slots))
    if isinstance(plan, str):
        return (f"{unit.name} would refuse it: {plan}",)
    room = room_for(plan, profile, Memory(profile.memory))
    if isinstance(room, str):
        return (f"{unit.name} would refuse it: {room}",)
    return tuple(f"in {unit.name}, {change}" for change in plan.changes)
