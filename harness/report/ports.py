"""What `dryload ports` says."""

import re
from collections.abc import Sequence
from typing import Final

from dryload.emulator.ports.midi_names import SystemPorts
from dryload.emulator.ports.midi_pairs import Pair, Single, pairs_of, singles_of
from dryload.emulator.ports.port import PortError
from dryload.harness.files import opening
from dryload.harness.files.opening import quoted, shown
from dryload.harness.report.document import Document, fields_of
from dryload.harness.report.table import Column, table

SCHEMA: Final = "dryload/ports/1"
_TCP: Final = "Without MIDI ports, use tcp:HOST:PORT to reach a program that listens there."
_SPECIAL: Final = re.compile(r'["$`\\!]')
_ADVICE: Final = {
    "alsa": "Run that command as root.",
    "jack": "If you use JACK, start its server first, as the same user who runs dryload.",
}
_CONNECT: Final = "Switch on the device or its interface and connect it."


def text(systems: Sequence[SystemPorts], *, width: int | None) -> list[str]:
    """Return the ports, how to name them, and what is wrong if there are none."""
    pairs = pairs_of(systems)
    singles = singles_of(systems, pairs)
    titles = {ports.system: ports.title for ports in systems}
    lines: list[str] = []
    if pairs:
        lines += ["These ports go both ways; use the name as shown here:", ""]
        rows = [
            (_quoted(pair.name), titles[pair.system], shown(pair.send), shown(pair.hear))
            for pair in pairs
        ]
        columns = (Column("name"), Column("system", spare=1), Column("sends to"), Column("hears"))
        lines += [*table(columns, rows, width), ""]
    if singles:
        lines += _one_way(singles, titles, width, has_pairs=bool(pairs))
    for ports in systems:
        if ports.problem:
            advice = _ADVICE.get(ports.system, "")
            lines.append(
                f"{ports.title} can't be used: {_sentence(ports.problem)} {advice}".rstrip()
            )
        elif not (ports.send or ports.hear):
            lines.append(f"{ports.title} has no MIDI ports. {_CONNECT}")
    if not systems:
        lines.append("The MIDI library on this computer supports no MIDI system.")
    if not (pairs or singles):
        lines.append(_TCP)
    return lines[:-1] if lines[-1] == "" else lines


def _one_way(
    singles: Sequence[Single], titles: dict[str, str], width: int | None, *, has_pairs: bool
) -> list[str]:
    also = "These ports go one way only" if has_pairs else "These ports go one way"
    rows = [
        (
            "hears" if each.is_heard else "sends to",
            _quoted(each.name, "" if each.is_heard else "midi:"),
            titles[each.system],
            shown(each.port),
        )
        for each in singles
    ]
    columns = (Column("way"), Column("name"), Column("system", spare=1), Column("port"))
    lines = [f"{also}; a device needs two, and --hear names the second:", ""]
    lines += [*table(columns, rows, width), ""]
    if example := _example(singles):
        lines += [example, ""]
    return lines


def _example(singles: Sequence[Single]) -> str:
    for sent in singles:
        for heard in singles:
            if heard.is_heard and not sent.is_heard and heard.system == sent.system:
                to, hear = _quoted(sent.name), _quoted(heard.name, "")
                return f"For example: dryload replay FILE --to {to} --hear {hear}"
    return ""


def document(systems: Sequence[SystemPorts], problem: PortError | None) -> Document:
    """Return the result for programs."""
    pairs: list[Pair] = pairs_of(systems)
    return {
        "schema": SCHEMA,
        "systems": [
            {
                **fields_of(ports),
                "problem": ports.problem or None,
                "do": _ADVICE.get(ports.system) if ports.problem else None,
            }
            for ports in systems
        ],
        "both_ways": [{"target": f"midi:{pair.name}", **fields_of(pair)} for pair in pairs],
        "one_way": singles_of(systems, pairs),
        "failed": problem,
    }


def has_ports(systems: Sequence[SystemPorts]) -> bool:
    """Return whether there is any port at all."""
    return any(ports.send or ports.hear for ports in systems)


def _quoted(name: str, kind: str = "midi:") -> str:
    """Return a name quoted for a shell."""
    word = shown(f"{kind}{name}")
    return quoted(word) if not opening.IS_WINDOWS and _SPECIAL.search(word) else f'"{word}"'


def _sentence(problem: str) -> str:
    return f"{shown(problem.strip().rstrip('.'))}."
