"""The functions of the public package: they take material and hand it on to the harness."""

import os
from collections.abc import Iterable, Sequence
from contextlib import closing
from fractions import Fraction
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike

from dryload.emulator.dump.outgoing import HeaderKind, outgoing, whole_sequence
from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.unit.possible import Profile, ProfileError
from dryload.emulator.unit.profile import DEFAULT_PROFILE, load_profile
from dryload.emulator.wire.constants import MAX_BITS, MIN_BITS
from dryload.emulator.wire.splitter import split
from dryload.emulator.wire.words import word_dtype
from dryload.harness.diagnose.diagnose import diagnose as diagnosed
from dryload.harness.faults.reading import NotUnderstood, read_all
from dryload.harness.files import capture_file, dumpfile
from dryload.harness.files.capture_file import CaptureFile, CaptureForm
from dryload.harness.files.opening import Held, shown
from dryload.harness.files.problem import NoDump, Problem
from dryload.harness.jobs import compare, convert
from dryload.harness.jobs.dumps import sources_in
from dryload.harness.jobs.playlist import LeftOut, judged_contents, play_through, select
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from dryload.harness.judge.dialogue.judge import judge_capture
from dryload.harness.judge.finding import Finding
from dryload.harness.judge.plan import rate_of
from dryload.harness.judge.stream import judge_stream
from dryload.harness.report import capture_diff, memory_picture, selection
from dryload.harness.report import diff as diff_report
from dryload.harness.report import replay as replay_report
from dryload.harness.report.diagnose import diagnosis_lines
from dryload.harness.report.validate import FileReport, nothing_to_judge
from dryload.harness.report.validate_capture import conversation_lines
from dryload.results import Diagnosis, Difference, Report, Result

if TYPE_CHECKING:
    from mido import Message

    Material = str | os.PathLike[str] | bytes | bytearray | memoryview | Iterable[Message | bytes]
    """A path; or what would be in the file: its bytes, or its messages one by one."""

_IN_MEMORY: Final = "the bytes given"


def validate(data: "Material") -> Report:
    """Judge a dump file, or both sides of a capture, by the standard.

    Problem (NoDump) for what holds no message of a sample dump.
    """
    file = capture_file.load_as_it_is(named(data))
    if isinstance(file, CaptureFile):
        seen = judge_capture(file.recorded)
        return Report(
            dumps=len(seen.dumps),
            findings=seen.all_findings,
            is_right=seen.is_right,
            text="\n".join(conversation_lines(file, seen)),
        )
    with closing(FileReport(file, for_programs=False)) as report:
        findings: list[Finding] = []
        for verdict in judge_stream(file.data, keep_words=False):
            report.add(verdict)
            findings += verdict.findings
        if report.is_empty:
            raise nothing_to_judge(file.name)
        return Report(
            dumps=report.dumps,
            findings=tuple(findings),
            is_right=not report.is_broken,
            text="\n".join(report.text()),
        )


class Unit:
    """An emulated unit on a simulated line; what it was sent stays in its memory.

    `profile` is the name of a profile (`dryload profiles` lists them) or the path of a TOML file;
    `disturb` are disturbances in the words of `dryload disturbances`; without `read_back` nothing
    is asked back, so that nothing is verified.  Problem for what is not understood.
    """

    def __init__(
        self,
        profile: str | os.PathLike[str] = DEFAULT_PROFILE,
        *,
        disturb: Sequence[str] = (),
        read_back: bool = True,
    ) -> None:
        try:
            asked = read_all(disturb)
            self._profile: Final = asked.unit(load_profile(os.fspath(profile)))
        except (ProfileError, NotUnderstood) as problem:
            raise Problem(f"{str(problem).rstrip('.')}.") from problem
        self._rehearsal: Final = Rehearsal(
            self._profile,
            settings=asked.settings(Settings(read_back=read_back)),
            disturbances=asked.placed,
            link=asked.link,
        )

    @property
    def profile(self) -> Profile:
        """What it can do and how it behaves."""
        return self._profile

    @property
    def samples(self) -> dict[int, Sample]:
        """What each used slot holds, by the number of the slot."""
        used = self._rehearsal.unit.slots.used()
        return {slot.number: slot.sample for slot in used if slot.sample is not None}

    @property
    def free_words(self) -> int:
        """Words of memory that are free."""
        return self._rehearsal.unit.memory.total_free

    def initialise(self) -> None:
        """Wipe the memory, as its front panel does."""
        self._rehearsal.unit.panel.initialise(self._rehearsal.line.now_ns)

    def rehearse(self, data: "Material", *, anyway: bool = False) -> Result:
        """Send dumps to it; see `rehearse`."""
        file = dumpfile.load(named(data))
        contents = list(judged_contents(file))
        if not contents:
            raise NoDump(f"{shown(file.name)} has no dump header.", is_other=False)
        selected = select(contents, anyway=anyway)
        selection.check_numbers(selected, "Give each its own sample number.")
        rehearsal = self._rehearsal
        passed, begun_ns = len(rehearsal.line.capture.passages), rehearsal.line.now_ns
        before = memory_picture.state_of(rehearsal.unit)
        rows = list(play_through(selected, rehearsal.play, hindrance=lambda: None))
        rehearsal.finish()
        transfers = tuple(replay_report.transfers_of(rows))
        lines = [replay_report.head(rehearsal.unit)]
        for transfer in transfers:
            lines += ["", *replay_report.lines_of(transfer)]
        lasted_ns = rehearsal.line.now_ns - begun_ns
        lines += [
            "",
            *replay_report.summary(
                rows, rehearsal.unit, 0, None, lasted_ns=lasted_ns, before=before
            ),
        ]
        return Result(
            transfers=transfers,
            not_sent=tuple(selection.left_out(row) for row in rows if isinstance(row, LeftOut)),
            passages=tuple(rehearsal.line.capture.passages[passed:]),
            text="\n".join(lines),
        )


def rehearse(
    data: "Material",
    unit: "str | os.PathLike[str] | Unit" = DEFAULT_PROFILE,
    *,
    anyway: bool = False,
) -> Result:
    """Send the dumps of a file to an emulated unit, read them back and compare.

    Problem (NoDump) where there is nothing to send.
    `unit` is a `Unit`, or the profile of a new one.  Broken dumps are sent only `anyway`.
    """
    return (unit if isinstance(unit, Unit) else Unit(unit)).rehearse(data, anyway=anyway)


def diagnose(capture: "Material | Result", source: "Material | None" = None) -> Diagnosis:
    """Say why a recorded transfer, or a rehearsal, failed.

    `source` is the dump that was meant to be sent.  Problem where nothing belongs to a dump.
    """
    if isinstance(capture, Result):
        form = CaptureForm.LINES
        file = CaptureFile(name="the rehearsal", form=form, recorded=capture.recorded)
    else:
        file = capture_file.load(named(capture, "the capture given"))
    sources = () if source is None else sources_in([named(source, "the source given")])
    found = diagnosed(file.recorded, sources)
    if not found.is_of_transfer:
        raise Problem(f"{shown(file.name)} holds no transfer: nothing in it is of a sample dump.")
    return Diagnosis(
        is_something_wrong=found.is_something_wrong,
        causes=found.causes,
        unknown=found.unknown,
        text="\n".join(diagnosis_lines(file, found)),
    )


def diff(a: "Material", b: "Material") -> Difference:
    """Compare dumps with dumps, a dump with the audio it was made from, or two captures."""
    one, other = named(a, "A"), named(b, "B")
    if compare.are_captures(one, other):
        result = compare.compare_captures(one, other, tolerance_ns=None)
        text = "\n".join(capture_diff.text(result))
        return Difference(same=result.comparison.same, details=result.comparison, text=text)
    files = compare.compare_files(one, other)
    return Difference(same=files.same, details=files, text="\n".join(diff_report.text(files)))


def encode(
    words: ArrayLike,
    *,
    bits: int = 16,
    rate: float | Fraction = 44_100,
    number: int = 1,
    device_id: int = 0,
    channels: int = 1,
    loop: Loop | None = None,
    name: str = "",
    header: HeaderKind = "auto",
) -> bytes:
    """Return the dump of signed words of 8 to 28 bits.

    `words` is flat, the channels of a frame one after another; `rate` is in Hz; a `loop` counts
    frames from 0, both ends played.  ValueError for what no dump can say.
    """
    given = np.asarray(words)
    if given.ndim != 1 or given.dtype.kind not in "iu":
        raise ValueError("words must be a flat array of integers")
    if not MIN_BITS <= bits <= MAX_BITS:
        raise ValueError(f"a word has {MIN_BITS} to {MAX_BITS} bits, not {bits}")
    full_scale = 1 << (bits - 1)
    if given.size and not -full_scale <= int(given.min()) <= int(given.max()) < full_scale:
        raise ValueError(f"words of {bits} bits are {-full_scale:,} to {full_scale - 1:,}")
    sample = Sample(
        words=given.astype(word_dtype(bits)),
        bits=bits,
        rate=Fraction(rate),
        channels=channels,
        sustain=loop or NO_LOOP,
        name=name,
    )
    dump = outgoing(sample, number=number, device_id=device_id, header=header)
    return b"".join(whole_sequence(dump))


def decode(data: "Material", *, dump: int = 1, damaged: bool = False) -> Sample:
    """Return what dump `dump` of a file holds, the first being 1.

    Problem where it is damaged, unless `damaged` ones are wanted: silence stands for packets that
    are missing then.
    """
    taken = convert.decode_file(named(data), dump)
    says_what_can_be = rate_of(taken.header) is not None and taken.header.channels > 0
    if not (damaged or (taken.contents.is_whole and says_what_can_be)):
        raise Problem(
            f"{shown(taken.file.name)} is damaged.",
            do="validate says what is wrong; damaged=True decodes it all the same.",
        )
    return taken.sample


def messages(data: "Material") -> "list[Message]":
    """Return the messages of a dump file as mido messages, ready to be sent.

    Problem for bytes that mido can't hold: a truncated message, bytes between messages.
    """
    from mido import Message

    found = []
    for piece in split(dumpfile.load(named(data)).data):
        try:
            found.append(Message.from_bytes(piece.body))
        except ValueError as problem:
            raise Problem(
                f"the {len(piece.raw):,} bytes from byte {piece.offset:,} on are no message that "
                f"mido can hold: {problem}."
            ) from problem
    return found


def named(data: "Material", name: str = _IN_MEMORY) -> str:
    """Return the name by which the harness reads material."""
    if isinstance(data, str | os.PathLike):
        return os.fspath(data)
    if isinstance(data, bytes | bytearray | memoryview):
        return Held(name, bytes(data))
    return Held(name, b"".join(map(_bytes_of, data)))


def _bytes_of(message: "Message | bytes") -> bytes:
    return bytes(message) if isinstance(message, bytes | bytearray) else bytes(message.bin())
