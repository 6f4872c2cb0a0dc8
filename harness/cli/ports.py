"""`dryload ports`: the MIDI ports that are here."""

import click

from dryload.harness.cli.options import AsJson
from dryload.harness.cli.terminal import show, width
from dryload.harness.files.problem import RIG, Problem


def ports(
    as_json: AsJson = False,
) -> None:
    """List the MIDI ports of this computer.

    Exit code 0 if there are any; 3 if there are none: the output says what to do.
    """
    from dryload.emulator.ports.midi import list_ports
    from dryload.emulator.ports.midi_names import SystemPorts
    from dryload.emulator.ports.port import PortError
    from dryload.harness.report import ports as report

    systems: tuple[SystemPorts, ...] = ()
    failed: PortError | None = None
    try:
        systems = list_ports()
    except PortError as problem:
        failed = problem
    if failed is not None and not as_json:
        raise Problem(failed.what, do=failed.do, code=RIG) from failed
    document = report.document(systems, failed)
    show(report.text(systems, width=width()), document, as_json=as_json)
    raise click.exceptions.Exit(0 if report.has_ports(systems) else RIG)
