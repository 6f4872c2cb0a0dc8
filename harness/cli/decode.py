"""`dryload decode`: audio from a dump."""

from typing import Annotated

import click

from dryload.harness.cli.options import AsJson, Overwrite, WhichDump, argument, value
from dryload.harness.cli.terminal import note, show


def decode(
    file: Annotated[str, argument("FILE", "A dump file; - is standard input.")],
    output: Annotated[
        str, value("AUDIO", "Audio file to write: .wav, .flac, .aif or .aiff.", "--output", "-o")
    ],
    dump: WhichDump = None,
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """Make an audio file from a dump.

    Exit code 1 if the dump is damaged; the file is written anyway.
    """
    from dryload.harness.files import audio_out, rates, safe_write
    from dryload.harness.files.opening import quoted
    from dryload.harness.jobs import convert as job
    from dryload.harness.judge.plan import rate_of
    from dryload.harness.report import decode as report

    safe_write.check_target(output, overwrite=overwrite, sources=(file,))
    audio_out.check_name(output)
    taken = job.decode_file(file, dump)
    sample, is_whole = taken.sample, taken.contents.is_whole
    rate_hz, remark = rates.whole_rate(rate_of(taken.header))
    remarks = (*([remark] if remark else []), *report.losses(taken))
    damage = report.damage(taken)
    lines = report.text(taken, source=file, target=output, rate_hz=rate_hz)
    document = report.document(taken, source=file, target=output, rate_hz=rate_hz, remarks=remarks)
    del taken  # what the file holds takes more memory than the audio
    content = audio_out.made(
        sample.words, bits=sample.bits, channels=sample.channels, rate=rate_hz, path=output
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
