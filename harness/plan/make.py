"""From a sound and what is to be done to it to the dump that is sent."""

from fractions import Fraction
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.outgoing import HeaderKind, Outgoing, outgoing, rate_of
from dryload.emulator.dump.sample import Sample
from dryload.emulator.unit.possible import Profile
from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader
from dryload.emulator.wire.sizes import words_per_packet
from dryload.emulator.wire.words import word_dtype
from dryload.harness.jobs.convert import EncodeOptions, encode_recording
from dryload.harness.jobs.dumps import Dump, readdressed
from dryload.harness.plan.change import Change
from dryload.harness.plan.gather import Candidate
from dryload.harness.plan.keys import Keys

_SETTINGS: Final = ("bits", "rate", "channel", "start", "length", "loop")


class Wanted(Struct, frozen=True, kw_only=True, eq=False):
    """A sound that is to be sent, and how."""

    candidate: Candidate
    change: Change
    number: int
    name: str
    keys: Keys | None = None


def made(wanted: Wanted, *, device_id: int) -> Dump:
    """Return what is sent of a sound; a Problem where the change can't be made.

    A dump of which nothing is changed stays as it stands in its file, byte for byte but for its
    address.
    """
    candidate, change, number = wanted.candidate, wanted.change, wanted.number
    given = candidate.given
    if given is None or any(getattr(change, each) for each in _SETTINGS):
        options = EncodeOptions(
            bits=change.bits or candidate.sound.bits,
            number=number,
            device_id=device_id,
            start=change.start,
            length=change.length,
            channel=change.channel or "both",
            rate=change.rate,
            loop=change.loop,
            name=wanted.name,
        )
        made = encode_recording(candidate.sound, options, candidate.title)
        return _dump(candidate.file, candidate.dump - 1, made.sample, made.dump)
    if wanted.name == candidate.name:
        return readdressed(given, sample_number=number, device_id=device_id)
    kind: HeaderKind = "extended" if isinstance(given.header, ExtendedHeader) else "standard"
    sample = replace(given.sample, name=wanted.name)
    sent = outgoing(sample, number=number, device_id=device_id, header=kind)
    return _dump(candidate.file, candidate.dump - 1, sample, sent)


def probe(packets: int, *, bits: int, channels: int, number: int, device_id: int) -> Dump:
    """Return a dump of silence with so many packets."""
    words = np.zeros(packets * words_per_packet(bits), word_dtype(bits))
    words = words[: len(words) - len(words) % channels]
    sample = Sample(words=words, bits=bits, rate=Fraction(44_100), channels=channels)
    sent = outgoing(sample, number=number, device_id=device_id)
    return _dump("silence", 0, sample, sent)


def fitting_name(candidate: Candidate, profile: Profile) -> str:
    """Return the name under which a unit can keep a sound."""
    if not profile.knows.names:
        return candidate.name if candidate.given is not None else ""
    return candidate.name[: profile.slots.name_length].rstrip()


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
