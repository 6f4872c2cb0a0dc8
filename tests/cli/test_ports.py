"""The command ports: what is listed can be opened by the name that stands there."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.ports.midi_names import SystemPorts, choose
from dryload.emulator.ports.midi_pairs import Pair, pairs_of, singles_of
from dryload.emulator.ports.port import PortError
from dryload.harness.cli.options import command_of
from dryload.harness.cli.ports import ports
from dryload.harness.files.problem import Problem
from tests import oracle
from tests.cli.forked import Forked
from tests.cli.replaying import Said
from tests.cli.runs import environment
from tests.foreign.process import gear, send
from tests.ports import jack

OK, RIG = 0, 3
HUNG_S = 60
app = command_of(ports)
Run = Callable[..., Said]

# The forms in which the library lists ports (common practice), as in tests/ports.
ALSA = SystemPorts(
    system="alsa",
    title="ALSA",
    send=("Through:Through Port-0 14:0", "Desk:Desk MIDI 1 20:0", "Desk:Desk MIDI 2 20:1"),
    hear=("Through:Through Port-0 14:0", "Desk:Desk MIDI 1 20:0", "Desk:Desk MIDI 2 20:1"),
)
JACK = SystemPorts(
    system="jack",
    title="Jack",
    send=("Lantern Desk:in", "system:midi_playback_1", "Bell-01:in", "Deaf:in"),
    hear=("Lantern Desk:out", "system:midi_capture_1", "Bell-01:out", "Ear:out"),
)
TWINS = SystemPorts(system="core", title="Core", send=("Desk", "Desk"), hear=("Desk", "Desk"))
NO_ALSA = SystemPorts(
    system="alsa", title="ALSA", problem="the sequencer of the kernel is missing: modprobe snd-seq"
)
NO_JACK = SystemPorts(system="jack", title="Jack", problem="no JACK server is running here")


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """The command on a computer with these ports."""

    def go(*systems: SystemPorts | PortError, options: Sequence[str] = ()) -> Said:
        def list_ports() -> tuple[SystemPorts, ...]:
            for each in systems:
                if isinstance(each, PortError):
                    raise each
            return tuple(each for each in systems if isinstance(each, SystemPorts))

        monkeypatch.setattr("dryload.emulator.ports.midi.list_ports", list_ports)
        try:
            code = app(list(options), standalone_mode=False)
        except Problem as problem:
            said = capsys.readouterr()
            return Said(problem.code, said.out, said.err + str(problem))
        said = capsys.readouterr()
        return Said(code if isinstance(code, int) else 0, said.out, said.err)

    return go


def opened(systems: Sequence[SystemPorts], name: str) -> tuple[str, str, str]:
    """What opening does: the first system in which a port to send to and one to hear fit."""
    for each in systems:
        there, here = choose(each.send, name, ""), choose(each.hear, name, "")
        if there is not None and here is not None:
            return each.system, each.send[there], each.hear[here]
    raise AssertionError(f"nothing fits {name}")


def names(pairs: Sequence[Pair]) -> list[str]:
    return [pair.name for pair in pairs]


@pytest.mark.parametrize(
    ("system", "expected"),
    [
        (ALSA, ["Through", "Desk MIDI 1", "Desk MIDI 2"]),
        (JACK, ["Lantern Desk", "system", "Bell"]),
        (TWINS, ["Desk#1", "Desk#2"]),
        (NO_JACK, []),
    ],
    ids=["alsa", "jack", "twins", "none"],
)
def test_the_shortest_name_that_means_both(system: SystemPorts, expected: list[str]) -> None:
    pairs = pairs_of([system])
    assert names(pairs) == expected
    for pair in pairs:
        assert opened([system], pair.name) == (pair.system, pair.send, pair.hear)


def test_what_goes_one_way_only() -> None:
    singles = singles_of([JACK], pairs_of([JACK]))
    assert [(each.name, each.is_heard) for each in singles] == [("Deaf", False), ("Ear", True)]


WORDS = st.sampled_from(["Desk", "desk", "Bell", "Desk 2", "in", "out", "Desk-01", "", "#1", "a:b"])
PORTS = st.one_of(
    WORDS,
    st.builds("{}:{}".format, WORDS, WORDS),
    st.builds("{}:{} 20:{}".format, WORDS, WORDS, st.integers(0, 2)),
)
LISTS = st.lists(PORTS, max_size=4).map(tuple)


@given(st.lists(st.tuples(LISTS, LISTS), max_size=2))
def test_every_name_that_is_listed_opens_what_stands_beside_it(
    lists: list[tuple[tuple[str, ...], tuple[str, ...]]],
) -> None:
    systems = [
        SystemPorts(system=f"s{at}", title=f"S{at}", send=send, hear=hear)
        for at, (send, hear) in enumerate(lists)
    ]
    pairs = pairs_of(systems)
    for pair in pairs:
        assert opened(systems, pair.name) == (pair.system, pair.send, pair.hear)
    for single in singles_of(systems, pairs):
        mine = next(each for each in systems if each.system == single.system)
        there = mine.hear if single.is_heard else mine.send
        found = choose(there, single.name, "")
        assert found is not None
        assert there[found] == single.port


def test_a_table_for_people(run: Run) -> None:
    said = run(ALSA, JACK)
    assert said.code == OK
    rows = [line.split("  ") for line in said.out.splitlines()]
    assert ['"midi:Desk MIDI 1"', "Desk:Desk MIDI 1 20:0"] in [
        [row[0], row[-1].strip()] for row in rows
    ]
    assert '"midi:Lantern Desk"' in said.out
    assert 'For example: dryload replay FILE --to "midi:Deaf" --hear "Ear"' in said.out


def test_one_document_for_programs(run: Run) -> None:
    said = run(NO_ALSA, JACK, options=["--json"])
    assert said.code == OK
    document = said.document
    assert document["schema"] == "dryload/ports/1"
    assert [each["system"] for each in document["systems"]] == ["alsa", "jack"]
    assert document["systems"][0]["problem"] == NO_ALSA.problem
    assert document["systems"][1]["send"] == list(JACK.send)
    assert [each["target"] for each in document["both_ways"]] == [
        "midi:Lantern Desk",
        "midi:system",
        "midi:Bell",
    ]
    assert document["failed"] is None


@pytest.mark.parametrize(
    ("systems", "told"),
    [
        ([NO_ALSA], "modprobe snd-seq. Run that command as root."),
        ([NO_JACK], "no JACK server is running here. If you use JACK, start its server first"),
        ([SystemPorts(system="core", title="CoreMidi")], "CoreMidi has no MIDI ports. Switch on"),
        ([], "supports no MIDI system"),
    ],
    ids=["no sequencer", "no server", "no ports", "no system"],
)
def test_without_ports_it_says_what_is_wrong_and_what_to_do(
    run: Run, systems: list[SystemPorts], told: str
) -> None:
    said = run(*systems)
    assert said.code == RIG
    assert told in said.out
    assert "tcp:HOST:PORT" in said.out
    said = run(*systems, options=["--json"])
    assert (said.code, said.document["both_ways"], said.document["one_way"]) == (RIG, [], [])


def test_without_the_library_it_says_how_to_get_it(run: Run) -> None:
    missing = PortError("MIDI ports are not available here.", "Get it.")
    said = run(missing)
    assert (said.code, said.out) == (RIG, "")
    assert said.err == "MIDI ports are not available here. Get it."
    said = run(missing, options=["--json"])
    assert said.code == RIG
    assert said.document["failed"] == {"what": missing.what, "do": missing.do}


def test_a_strange_name_stays_one_line_and_one_word(run: Run) -> None:
    strange = SystemPorts(
        system="jack", title="Jack", send=("$(a)\x1b[31m\n:in",), hear=("$(a)\x1b[31m\n:out",)
    )
    said = run(strange)
    assert said.code == OK
    assert all(line.isprintable() for line in said.out.splitlines())
    assert "'midi:$(a)\\x1b[31m\\n'" in said.out


# Ports that are there.


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """The name of a JACK server; this process never becomes its client."""
    if reason := jack.why_not():
        pytest.skip(reason)
    with jack.jack_server(jack.SYNCHRONOUS + "-cli") as (name, _):
        yield name


def command(folder: Path, name: str, *words: str) -> tuple[int, dict[str, Any]]:
    env = {**environment(), "JACK_DEFAULT_SERVER": name}
    with Forked([*words, "--json"], cwd=folder, env=env) as process:
        try:
            out, err = process.communicate(HUNG_S)
        finally:
            process.kill()
    assert out, err
    return process.wait(), json.loads(out)


@pytest.mark.port
def test_a_unit_at_a_real_port_is_listed_and_read_by_the_name_that_stands_there(
    server: str, tmp_path: Path
) -> None:
    with gear("--midi", "Lantern Gear", "--device", "4", jack=server) as unit:
        send("play", "midi:Lantern Gear", "--number", "6", "--device", "4", jack=server)
        code, document = command(tmp_path, server, "ports")
        assert code == OK
        targets = [each["target"] for each in document["both_ways"]]
        assert "midi:Lantern Gear" in targets
        code, document = command(
            *(tmp_path, server, "read", "--from", targets[targets.index("midi:Lantern Gear")]),
            *("--sample", "6-7", "-o", "gear", "--device-id", "4"),
        )
        held = unit.end()["samples"]["6"]
    assert code == OK
    assert [each["result"] for each in document["samples"]] == ["read", "no answer"]
    data = (tmp_path / "gear" / "sample-0006.syx").read_bytes()
    assert oracle.read_dump(data).words == held["words"]


@pytest.mark.port
def test_without_a_server_the_command_ends_and_leaves_standard_error_clean(tmp_path: Path) -> None:
    if reason := jack.why_not():
        pytest.skip(reason)
    name = f"nobody-{os.getpid()}"
    _, document = command(tmp_path, name, "ports")
    assert {each["system"]: each["problem"] for each in document["systems"]}["jack"]
