"""From a sound and what is to be done to it to the dump that is sent."""

from fractions import Fraction
from typing import Final, NamedTuple

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.outgoing import HeaderKind, Outgoing, outgoing, rate_of
from dryload.emulator.dump.sample import Sample
from dryload.emulator.unit.possible import Profile
from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.sizes import words_per_packet
from dryload.emulator.wire.words import word_dtype
from dryload.harness.jobs.convert import EncodeOptions
from dryload.harness.jobs.dumps import Dump, readdressed
from dryload.harness.jobs.fitting import encode_recording_for
from dryload.harness.plan.change import Change
from dryload.harness.plan.gather import Candidate
from dryload.harness.plan.keys import Keys

_SETTINGS: Final = ("bits", "rate", "channel", "start", "length", "loop")


class PlanItem(Struct, frozen=True, kw_only=True, eq=False):
    """A sound that is to be sent, and how."""

    candidate: Candidate
    change: Change
    number: int
    name: str
    keys: Keys | None = None


class Made(NamedTuple):
    """What is sent of a sound, and what is to be said of it, each without a full stop."""

    dump: Dump
    notes: tuple[str, ...] = ()


def made(wanted: PlanItem, profile: Profile, device_id: int) -> Made:
    """Return what is sent of a sound to a unit; a Problem where the change can't be made.

    A dump of which nothing is changed stays as it stands in its file, byte for byte but for its
    address.
    """
    candidate, change, number = wanted.candidate, wanted.change, wanted.number
    given = candidate.given
    if given is None or any(getattr(change, each) for each in _SETTINGS):
        options = EncodeOptions(
            bits=change.bits,
            number=number,
            device_id=device_id,
            start=change.start,
            length=change.length,
            channel=change.channel,
            rate=change.rate,
            loop=change.loop,
            name=wanted.name,
        )
        encoded = encode_recording_for(candidate.sound, options, profile, candidate.title)
        notes = list(encoded.remarks)
        if encoded.clipped:
            notes.append(f"{counted(encoded.clipped, 'word')} beyond full scale: clipped")
        if given is not None and given.sample.loops:
            notes.append(f"{counted(len(given.sample.loops), 'further loop')} left out")
        dump = _dump(candidate.file, candidate.dump - 1, encoded.sample, encoded.dump)
        return Made(dump, tuple(notes))
    if wanted.name == candidate.name:
        return Made(readdressed(given, sample_number=number, device_id=device_id))
    kind: HeaderKind = "extended" if isinstance(given.header, ExtendedHeader) else "standard"
    sample = replace(given.sample, name=wanted.name)
    sent = outgoing(sample, number=number, device_id=device_id, header=kind)
    return Made(_dump(candidate.file, candidate.dump - 1, sample, sent))


def probe(packets: int, *, bits: int, channels: int, number: int, device_id: int) -> Dump:
    """Return a dump of silence with so many packets."""
    words = np.zeros(packets * words_per_packet(bits), word_dtype(bits))
    words = words[: len(words) - len(words) % channels]
    sample = Sample(words=words, bits=bits, rate=Fraction(44_100), channels=channels)
    sent = outgoing(sample, number=number, device_id=device_id)
    return _dump("silence", 0, sample, sent)


def fitting_name(candidate: Candidate, profile: Profile) -> str:
    """Return the name under which a unit can keep a sound."""
    length = profile.slots.name_length if profile.knows.names else 0
    return candidate.name[:length].rstrip()


def _dump(file: str, index: int, sample: Sample, sent: Outgoing) -> Dump:
    header = decode(sent.header)
    assert isinstance(header, DumpHeader | ExtendedHeader)
    return Dump(
        file=file,
        index=index,
        header=header,
        outgoing=sent,
        sample=replace(sample, rate=rate_of(header)),
    )
