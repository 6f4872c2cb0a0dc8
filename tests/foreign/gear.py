"""Foreign gear as a process: python -m tests.foreign.gear --midi NAME | --tcp [habits].

Prints one JSON line when it can be reached, and one when standard input ends, or when it dies, with
what it holds and what it saw.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from typing import Final

from tests.foreign import wire
from tests.foreign.habits import add_options, habits_of
from tests.foreign.link import Link, MidiLink, TcpListener, has_ended
from tests.foreign.unit import Gear

_LOOK_S: Final = 0.05


def main(arguments: Sequence[str]) -> None:
    """Be a piece of gear until standard input ends."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--midi", metavar="NAME")
    parser.add_argument("--tcp", action="store_true")
    add_options(parser)
    chosen = parser.parse_args(arguments)
    if bool(chosen.midi) == chosen.tcp:
        parser.error("one of --midi and --tcp")
    link: Link = MidiLink(chosen.midi, virtual=True) if chosen.midi else TcpListener()
    print(json.dumps({"event": "ready", "port": link.name}), flush=True)
    gear = Gear(habits_of(chosen))
    serve(gear, link)
    link.close()
    print(json.dumps({"event": "end", "died": gear.has_died, **gear.summary()}), flush=True)


def serve(gear: Gear, link: Link) -> None:
    """Hand messages to and fro."""
    cutter = wire.Cutter()
    while not gear.has_died and not has_ended():
        now_s = time.monotonic()
        for message in gear.due(now_s):
            link.write(message)
        due_s = gear.due_s()
        for_s = _LOOK_S if due_s is None else min(_LOOK_S, due_s - now_s)
        for raw in cutter.feed(link.read(for_s)):
            gear.take(raw, time.monotonic())


if __name__ == "__main__":
    main(sys.argv[1:])
