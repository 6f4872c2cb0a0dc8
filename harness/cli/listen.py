"""`dryload listen`: what a unit would play, as a sound."""

from collections.abc import Mapping
from os.path import basename, splitext
from typing import TYPE_CHECKING, Annotated, Final, TypeVar

from dryload.harness.cli.options import AsJson, Overwrite, WhichDump, argument, value
from dryload.harness.cli.terminal import note, show
from dryload.harness.files.opening import quoted, shown
from dryload.harness.files.problem import Problem
from dryload.harness.plan.keys import MIDDLE_C, MiddleC, root_in_name

if TYPE_CHECKING:
    from dryload.emulator.unit.possible import Profile
    from dryload.harness.jobs.dumps import Dump
    from dryload.harness.report.listen import HeardSample

_Number = TypeVar("_Number", int, float)
_KEYS: Final = 127
_LONGEST_S: Final = 60.0
_LONGEST_IN_ALL_S: Final = 1_200.0
_QUIETEST_DB: Final = -96.0
_AUDIO_BITS: Final = 24
_ALOUD: Final = "pip install 'dryload[aloud]'"


def listen(
    file: Annotated[
        str, argument("FILE", "A dump file, an audio file or a plan; - is standard input.")
    ],
    output: Annotated[
        str | None,
        value("AUDIO", "Audio file to write: .wav, .flac, .aif or .aiff.", "--output", "-o"),
    ] = None,
    keys: Annotated[
        str | None,
        value("N,N...", "Play these keys one after another: MIDI note numbers; default: the root."),
    ] = None,
    root: Annotated[
        int | None,
        value("N", "The key of the sample's own pitch; default: as file or name say, or 60."),
    ] = None,
    middle_c: Annotated[
        MiddleC, value("C3|C4", "What key 60 is called, here and in the names of sounds.")
    ] = MiddleC.C4,
    seconds: Annotated[float, value("S", "Hold each key for so long.")] = 2.0,
    unit: Annotated[
        str | None,
        value("PROFILE", "Play what this emulated unit would keep of it.", "--for"),
    ] = None,
    dump: WhichDump = None,
    level: Annotated[
        float, value("DB", "Play at most so loud: 0 is full scale, -12 a quarter of it.")
    ] = -12.0,
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """Make audible what a unit would play.

    A bad loop, a wrong byte order or a wrong rate is heard before twenty minutes are spent. The
    sample is played at the pitch of each key, with its loop while the key is held. Without --output
    it is played aloud. A damaged sample can be loud noise: nothing is louder than --level.

    The key at which a sample has its own pitch, its root, is that of an audio file that states one;
    else that of a note in the name, as in "gull C#4".

    Of a plan, each sample is heard as its unit would keep it, at its lowest key, its root and its
    highest key; with --keys, at those of the keys that are its own.

    Exit code 2 if the file holds no sample that can be played.
    """
    from dryload.harness.cli.own_unit import profile_of
    from dryload.harness.files import audio_out, safe_write
    from dryload.harness.jobs import listen as job
    from dryload.harness.plan.kept import is_evening
    from dryload.harness.report import listen as report

    how = job.Playing(
        seconds=_in_range("--seconds", seconds, 0.0, _LONGEST_S),
        level_db=_in_range("--level", level, _QUIETEST_DB, 0.0),
    )
    wanted = None if keys is None else _keys(keys)
    if root is not None:
        _in_range("--root", root, 0, _KEYS)
    if output is not None:
        safe_write.check_target(output, overwrite=overwrite, sources=(file,))
        audio_out.check_name(output)
    profile = None if unit is None else profile_of(unit)
    if is_evening(file):
        heard = _planned(file, dump, wanted, middle_c, {"--for": unit, "--root": root})
    else:
        heard = [_heard(*_dump(file, dump, profile), profile, middle_c, keys=wanted, root=root)]
    held_s = seconds * sum(len(each.voice.keys) for each in heard)
    if held_s > _LONGEST_IN_ALL_S:
        raise Problem(
            f"all keys together would be held for {held_s / 60:,.0f} minutes: "
            f"{_LONGEST_IN_ALL_S / 60:.0f} are the most.",
            do="Give fewer --keys or --seconds, or choose one sample with --dump.",
        )
    sound = job.played([each.voice for each in heard], how)
    if output is None:
        lines = report.lines_of(file, heard, how, len(sound), None, middle=middle_c)
        note(lines[1])
        _aloud(sound)
    else:
        content = audio_out.made(
            job.as_words(sound, _AUDIO_BITS),
            bits=_AUDIO_BITS,
            channels=sound.shape[1],
            rate=job.RATE,
            path=output,
        )
        safe_write.write(output, content, overwrite=overwrite)
        lines = report.lines_of(file, heard, how, len(sound), output, middle=middle_c)
    show(lines, report.document(file, heard, how, len(sound), output), as_json=as_json)


def _planned(
    path: str,
    which: int | None,
    keys: tuple[int, ...] | None,
    middle: MiddleC,
    others: Mapping[str, object],
) -> "list[HeardSample]":
    """Return what is played of a plan: all samples that have one of the keys, or one of them.

    `others` are options of which a plan says all there is to say.
    """
    from dryload.harness.jobs import listen as job
    from dryload.harness.jobs.transfer import Settings
    from dryload.harness.plan import kept
    from dryload.harness.report.listen import HeardSample

    for option, given in others.items():
        if given is not None:
            raise Problem(f"{option} is not for a plan: {shown(path)} says it.")
    bench, chosen = kept.ready(path, Settings(read_back=False))
    wanted = chosen.wanted
    if which is not None and which > len(wanted):
        raise Problem(f"{shown(path)} has no sample {which}: it has samples 1 to {len(wanted)}.")
    rehearsal = bench.rehearsal()
    heard = []
    for each in wanted if which is None else wanted[which - 1 : which]:
        own, sound = each.keys, each.candidate
        root, source = _root(sound.sound.root, each.name, sound.file, middle)
        played: tuple[int, ...] = (root,)
        if own is not None:
            root, source = own.root, "as the plan says"
            played = tuple(dict.fromkeys((own.low, root, own.high)))
        if keys is not None:
            played = tuple(key for key in keys if own is None or own.low <= key <= own.high)
        if played:
            sample = job.held_after(rehearsal, bench.made(each).dump)
            voice = job.Voice(sample=sample, keys=played, root=root)
            heard.append(HeardSample(voice=voice, number=each.number, root_source=source))
    if not heard:
        raise Problem(f"{shown(path)} has no sample for any of these keys.")
    return heard


def _heard(
    dump: "Dump",
    stated_root: int | None,
    profile: "Profile | None",
    middle: MiddleC,
    *,
    keys: tuple[int, ...] | None,
    root: int | None,
) -> "HeardSample":
    """Return what is played of a dump: all of it, or what a unit keeps of it."""
    from dryload.harness.jobs import listen as job
    from dryload.harness.jobs.rehearse import Rehearsal
    from dryload.harness.report.listen import HeardSample

    sample = dump.sample
    if profile is not None:
        sample = job.held_after(Rehearsal(profile), dump)
    if not sample.frames:
        raise Problem(f"{dump.place} holds no words, so there is nothing to hear.")
    own, source = _root(stated_root, dump.sample.name, dump.file, middle)
    if root is not None:
        own, source = root, "as given"
    voice = job.Voice(sample=sample, keys=keys or (own,), root=own)
    return HeardSample(voice=voice, number=dump.header.sample_number, root_source=source)


def _root(stated: int | None, name: str, file: str, middle: MiddleC) -> tuple[int, str]:
    """Return the key at which a sample has its own pitch, and who says so."""
    sources = (
        (stated, "as the file states"),
        (root_in_name(name, middle), "as its name says"),
        (root_in_name(splitext(basename(file))[0], middle), "as the file's name says"),
        (MIDDLE_C, "assumed: neither file nor name tells it"),
    )
    return next((key, source) for key, source in sources if key is not None)


def _dump(path: str, number: int | None, profile: "Profile | None") -> tuple["Dump", int | None]:
    """Return the dump of a file, or the one that would be made of a recording, and its root key."""
    from dryload.harness.files import dumpfile
    from dryload.harness.files.kinds import AUDIO_ADVICE, kind_of
    from dryload.harness.files.opening import STANDARD_INPUT, Held, head_of
    from dryload.harness.jobs import convert, fitting
    from dryload.harness.jobs.dumps import dumps_in

    name, root = path, None
    kind = None if path == STANDARD_INPUT else kind_of(head_of(path))
    if kind is not None and kind.advice == AUDIO_ADVICE:
        if profile is None:
            made = convert.encode(path, convert.EncodeOptions())
        else:
            number_there = fitting.first_number(profile)
            made = fitting.encode_for(path, convert.EncodeOptions(number=number_there), profile)
        root = made.root
        name = Held(path, convert.file_of([made.dump], ".syx"))
    found = list(dumps_in(dumpfile.load(name)))
    if not found:
        raise Problem(
            f"{shown(path)} has no whole dump header, so there is nothing to hear.",
            do=f"dryload validate {quoted(path)} says what is in it.",
        )
    if number is None and len(found) > 1:
        note(f"{shown(path)} holds {len(found)} dumps: --dump chooses one of them.")
    if not 1 <= (number or 1) <= len(found):
        raise Problem(f"{shown(path)} has no dump {number}: it holds dumps 1 to {len(found)}.")
    return found[(number or 1) - 1], root


def _keys(text: str) -> tuple[int, ...]:
    parts = [each.strip() for each in text.split(",")]
    if not all(each.isdigit() and int(each) <= _KEYS for each in parts):
        raise Problem(f"--keys {shown(text)}: give MIDI note numbers, 0 to 127, as in 48,60,72.")
    return tuple(map(int, parts))


def _in_range(option: str, number: _Number, low: _Number, high: _Number) -> _Number:
    if not low <= number <= high:
        raise Problem(f"{option} {number:g} is out of range: {low:g} to {high:g}.")
    return number


def _aloud(sound: object) -> None:
    """Play a sound; a Problem where that can't be."""
    from dryload.harness.jobs.listen import RATE

    try:
        import sounddevice
    except (ImportError, OSError) as problem:
        raise Problem(
            "sounds can't be played here: there is no library for it.",
            do=f"Write a file with -o sound.wav, or install one: {_ALOUD}.",
        ) from problem
    try:
        sounddevice.play(sound, RATE)
        sounddevice.wait()
    except sounddevice.PortAudioError as problem:
        raise Problem(
            f"the sound can't be played: {problem}.", do="Write a file with -o sound.wav."
        ) from problem
