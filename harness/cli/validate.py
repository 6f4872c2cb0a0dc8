"""`dryload validate`: judge dump files and captures, no unit involved."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import click

from dryload.harness.cli.options import AsJson, argument
from dryload.harness.cli.terminal import bar_line, note, say, say_json

if TYPE_CHECKING:
    from dryload.harness.files.capture_file import CaptureFile
    from dryload.harness.files.dumpfile import DumpFile
    from dryload.harness.report.validate import Sums

_WORTH_SHOWING = 8 << 20  # bytes; less is judged before a bar could be read


def validate(
    files: Annotated[
        list[str], argument("FILE", "Dump files, captures or folders; - is standard input.")
    ],
    as_json: AsJson = False,
) -> None:
    """Judge dump files and captures by the standard.

    In a capture, both sides are judged: the sender and the unit. If only one direction was
    recorded, it is judged as a dump file.

    Exit code 0 if nothing is broken; 1 if something is broken, or if a dump in a capture did not
    reach its end; 2 if a file cannot be read or holds no dump (the other files are still judged).
    """
    from dryload.harness.files.opening import named
    from dryload.harness.files.problem import USAGE, NoDump, Problem
    from dryload.harness.report.document import written
    from dryload.harness.report.validate import SCHEMA, Sums, not_judged

    given = named(files)
    code = 0
    sums = Sums()
    if as_json:
        click.echo(f'{{"schema": "{SCHEMA}", "files": [')
    for place, path in enumerate(given.files):
        if place and as_json:
            click.echo(",")
        try:
            is_first = not sums.files
            code = max(code, _validate_one(path, sums, as_json=as_json, is_first=is_first))
        except Problem as problem:
            note(str(problem))
            is_none = isinstance(problem, NoDump)
            sums.without_a_dump += is_none
            if not (isinstance(problem, NoDump) and problem.is_other and path in given.found):
                code = max(code, problem.code)
            if as_json:
                say_json(not_judged(path, str(problem)), indent=None)
    if given.found and not sums.files:
        code = max(code, USAGE)  # nothing was judged
    if as_json:
        click.echo(f'], "sums": {written(sums, indent=None)}}}')
    elif len(given.files) > 1 and sums.files:
        click.echo(f"\n{sums.sentence}")
    if code:
        raise click.exceptions.Exit(code)


def _validate_one(path: str, sums: "Sums", *, as_json: bool, is_first: bool) -> int:
    """Judge one file and print the result; a Problem if there is nothing to judge."""
    from contextlib import closing

    from dryload.harness.files.capture_file import CaptureFile, load_as_it_is
    from dryload.harness.files.opening import shown

    file = load_as_it_is(path)
    if isinstance(file, CaptureFile):
        return _validate_capture(file, sums, as_json=as_json, is_first=is_first)

    from dryload.harness.judge.stream import judge_stream
    from dryload.harness.report.validate import FileReport, nothing_to_judge

    for remark in file.remarks:
        note(f"{shown(path)}: {remark}.")
    with closing(FileReport(file, for_programs=as_json)) as report:
        with _progress(file) as show:
            for verdict in judge_stream(file.data, keep_words=False):
                report.add(verdict)
                section = verdict.contents.section
                show(section.offset + section.size)
        if report.is_empty:
            raise nothing_to_judge(path)
        if not (is_first or as_json):
            click.echo()
        if as_json:
            for part in report.documents():
                click.echo(part, nl=False)
        else:
            say(report.text())
        sums.add(report.dumps, report.broken, is_broken=report.is_broken)
        return 1 if report.is_broken else 0


def _validate_capture(file: "CaptureFile", sums: "Sums", *, as_json: bool, is_first: bool) -> int:
    """Judge both sides of a capture and print the result."""
    from dryload.harness.files.opening import shown
    from dryload.harness.judge.dialogue.judge import judge_capture
    from dryload.harness.judge.finding import Verdict
    from dryload.harness.report.validate_capture import conversation_document, conversation_lines

    for remark in file.recorded.remarks:
        note(f"{shown(file.name)}: {remark}.")
    verdicts = judge_capture(file.recorded)
    broken = sum(each.worst is Verdict.BROKEN for each in verdicts.dumps)
    code = 0 if verdicts.is_right else 1
    cut = sum(each.worst is not Verdict.BROKEN for each in verdicts.unfinished)
    sums.add(len(verdicts.dumps), broken, is_broken=verdicts.is_broken, unfinished=cut)
    if as_json:
        say_json(conversation_document(file, verdicts), indent=None)
        return code
    if not is_first:
        click.echo()
    say(conversation_lines(file, verdicts))
    return code


@contextmanager
def _progress(file: "DumpFile") -> "Iterator[Callable[[int], None]]":
    """Yield a function that shows how many bytes of a long file are done; it may do nothing."""
    if len(file.data) < _WORTH_SHOWING:
        yield lambda done: None
        return

    from dryload.harness.files.opening import shown

    with bar_line("{task.description} {task.percentage:.0f} %") as bar:
        if bar is None:
            yield lambda done: None
            return
        task = bar.add_task(shown(file.name), total=len(file.data))
        yield lambda done: bar.update(task, completed=done)
