"""`dryload prove --tone` and `--recording`: a memory of which only the sound comes out."""

from typing import TYPE_CHECKING, Final

import click
from msgspec import Struct
from msgspec.structs import fields

from dryload.harness.cli.options import check_device_id
from dryload.harness.cli.terminal import note, show
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem

if TYPE_CHECKING:
    from dryload.emulator.unit.possible import Profile

_KNOWN: Final = {
    "tone": {"tone", "words", "unit", "bits", "device_id", "overwrite", "as_json"},
    "recording": {"recording", "words", "unit", "as_json"},
}
_ONLY_HERE: Final = {"unit"}

_IN_PARTS: Final = (
    "To fill a larger memory, make the tone no longer than that, and send it again under the next "
    "sample numbers (dryload replay FILE --number N) until the unit takes no more. Then play each "
    "of them."
)


def is_asked_for(request: Struct) -> bool:
    """Whether the tone or a recording of it is asked for; a Problem for options that contradict."""
    given = [
        each.name
        for each in fields(request)
        if getattr(request, each.name) not in (each.default, [])
    ]
    way = next((name for name in _KNOWN if name in given), None)
    for name in given:
        if way is not None and name not in _KNOWN[way]:
            raise Problem(f"{_option(name)} does not go with --{way}.")
        if way is None and name in _ONLY_HERE:
            raise Problem(f"{_option(name)} is for --tone and --recording.")
    return way is not None


def _option(name: str) -> str:
    special = {"unit": "--for", "pace": "--no-pace", "as_json": "--json"}
    return special.get(name, f"--{name.replace('_', '-')}")


def write_tone(
    target: str,
    *,
    words: int | None,
    unit: str | None,
    bits: int | None,
    device_id: int | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Write the dump of a test tone, so many words long or as many as a unit has."""
    from dryload.harness.cli.own_unit import profile_of
    from dryload.harness.files import safe_write
    from dryload.harness.jobs import convert, fitting
    from dryload.harness.prove.tone import tone
    from dryload.harness.report import by_ear as report

    check_device_id(device_id)
    safe_write.check_target(target, overwrite=overwrite)
    profile = None if unit is None else profile_of(unit)
    number = 1 if profile is None else fitting.first_number(profile)
    options = convert.EncodeOptions(bits=bits, device_id=device_id, number=number)
    source = tone(_length(words, profile))
    if profile is None:
        made = convert.encode_recording(source, options, "the test tone")
    else:
        made = fitting.encode_recording_for(source, options, profile, "the test tone")
    for remark in made.remarks:
        note(f"{remark}.")
    safe_write.write(target, convert.file_of([made.dump], target), overwrite=overwrite)
    show(
        report.tone_lines(made, file=target, number=number),
        report.tone_document(made, file=target, number=number),
        as_json=as_json,
    )


def judge_recording(path: str, *, words: int | None, unit: str | None, as_json: bool) -> None:
    """Say what is heard in a recording of the test tone, and end the command."""
    from dryload.harness.cli.own_unit import profile_of
    from dryload.harness.files import audio
    from dryload.harness.prove.recording import judge
    from dryload.harness.report import by_ear as report

    words = _length(words, None if unit is None else profile_of(unit))
    sound = audio.read(path)
    for remark in sound.remarks:
        note(f"{remark}.")
    try:
        heard = judge(audio.as_floats(sound), sound.rate, words)
    except Problem as problem:
        raise Problem(f"{shown(path)} can't be judged: {problem.what}", do=problem.do) from None
    show(report.lines_of(heard), report.document(heard, file=path), as_json=as_json)
    raise click.exceptions.Exit(0 if heard.is_right else 1)


def _length(words: int | None, profile: "Profile | None") -> int:
    """Return how many words the tone has: as given, or as many as the unit holds."""
    from dryload.emulator.unit.memory import Memory
    from dryload.harness.prove.tone import FEWEST, MOST

    if words is not None:
        what = f"--words {words}"
    elif profile is not None:
        held = Memory(profile.memory).fitted_words
        words, what = min(held, MOST), f"{profile.name} holds {held:,} words"
        if words < held:
            note(f"{what}: the tone is for {words:,} of them. {_IN_PARTS}")
    else:
        raise Problem(
            "how many words does the unit's memory hold?",
            do="Give --words N, by its manual, or --for PROFILE.",
        )
    if not FEWEST <= words <= MOST:
        raise Problem(
            f"{what}: the test tone has {FEWEST:,} to {MOST:,} words, as many as one dump has.",
            do=_IN_PARTS if words > MOST else "",
        )
    return words
