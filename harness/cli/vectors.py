"""`dryload vectors`: the batteries of check-encoder and check-decoder as files."""

import os
from typing import Annotated

from dryload.harness.cli.options import AsJson, Overwrite, value
from dryload.harness.cli.terminal import show
from dryload.harness.files import safe_write
from dryload.harness.files.opening import shown


def vectors(
    output: Annotated[str, value("FOLDER", "Folder to write to.", "--output", "-o")],
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """Write dumps with what is right of them, for tests in any language.

    vectors.json lists the cases: what an encoder is asked, the dump that comes of it, what a
    decoder makes of the dump, whether it is valid, open or invalid, and the clauses.
    vectors.schema.json is its JSON Schema. dumps/*.syx are the dumps, words/*.i32 longer words as
    32-bit integers, the low byte first.
    """
    from dryload.harness.files.sample_files import make_folder
    from dryload.harness.trial import vectors as made

    if os.path.isdir(output):
        safe_write.check_target(os.path.join(output, made.MANIFEST), overwrite=overwrite)
    for folder in ("", "dumps", "words"):
        make_folder(os.path.join(output, folder))
    count = size = 0
    for name, data in made.vectors():
        safe_write.write(os.path.join(output, name), data, overwrite=overwrite)
        count, size = count + 1, size + len(data)
    line = f"{shown(output)}: {count:,} files, {size:,} bytes; {made.MANIFEST} lists the cases."
    document = {"schema": "dryload/vectors-written/1", "folder": output, "files": count}
    show([line], {**document, "bytes": size, "manifest": made.MANIFEST}, as_json=as_json)
