"""`dryload decode`: audio from a dump."""

from typing import Annotated

import click

from dryload.harness.cli.options import AsJson, Overwrite, WhichDump, argument, value
from dryload.harness.cli.terminal import note, show
from dryload.harness.files.problem import Problem


def decode(
    file: Annotated[str, argument("FILE", "A dump file; - is standard input.")],
    output: Annotated[
        str, value("AUDIO", "Audio file to write: .wav, .flac, .aif or .aiff.", "--output", "-o")
    ],
    dump: WhichDump = None,
    root: Annotated[
        int | None,
        value(
            "N",
            "The key at which it has its own pitch: a MIDI note number, 60 is C4.",
            least=0,
            most=127,
        ),
    ] = None,
    fine_tune: Annotated[
        float, value("CENTS", "How far its own pitch lies above that key, -100 to 100.")
    ] = 0.0,
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """Make an audio file from a dump.

    Its loop goes with it where the format has a place for one: WAV and AIFF have. So does the root
    key, which is in no dump and has to be given.

    Exit code 1 if the dump is damaged; the file is written anyway.
    """
    from dryload.harness.files import audio_out, instrument, rates, safe_write
    from dryload.harness.files.opening import quoted
    from dryload.harness.jobs import convert as job
    from dryload.harness.judge.plan import rate_of
    from dryload.harness.report import decode as report

    if not -100 <= fine_tune <= 100:
        raise Problem(f"--fine-tune {fine_tune:g} is out of range: it is -100 to 100 cents.")
    if fine_tune and root is None:
        raise Problem("--fine-tune counts from a root key.", do="Give --root as well.")
    safe_write.check_target(output, overwrite=overwrite, sources=(file,))
    audio_out.check_name(output)
    taken = job.decode_file(file, dump)
    sample, is_whole = taken.sample, taken.contents.is_whole
    stated = rate_of(taken.header)
    rate_hz, _ = rates.whole_rate(stated)
    said = instrument.kept(
        instrument.Instrument(loop=sample.sustain, root=root, fine_cents=fine_tune, rate=stated),
        form=audio_out.form_of(output),
        frames=sample.frames,
    )
    remarks = (*said.remarks, *report.losses(taken))
    damage = report.damage(taken)
    lines = report.text(taken, source=file, target=output, rate_hz=rate_hz, said=said)
    document = report.document(
        taken, source=file, target=output, rate_hz=rate_hz, said=said, remarks=remarks
    )
    del taken  # what the file holds takes more memory than the audio
    content = audio_out.made(
        sample.words,
        bits=sample.bits,
        channels=sample.channels,
        rate=rate_hz,
        path=output,
        said=said,
    )
    safe_write.write(output, content, overwrite=overwrite)
    for line in remarks:
        note(f"{line}.")
    for line in damage:
        note(f"damaged: {line}.")
    show(lines, document, as_json=as_json)
    if not is_whole:
        note(f"dryload validate {quoted(file)} says what is wrong.")
        raise click.exceptions.Exit(1)
