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
    parser.add_argument("--tells-at", type=int, metavar="N", help="say it when packet N comes")
    add_options(parser)
    chosen = parser.parse_args(arguments)
    if bool(chosen.midi) == chosen.tcp:
        parser.error("one of --midi and --tcp")
    link: Link = MidiLink(chosen.midi, virtual=True) if chosen.midi else TcpListener()
    print(json.dumps({"event": "ready", "port": link.name}), flush=True)
    gear = Gear(habits_of(chosen))
    serve(gear, link, chosen.tells_at)
    link.close()
    print(json.dumps({"event": "end", "died": gear.has_died, **gear.summary()}), flush=True)


def serve(gear: Gear, link: Link, tells_at: int | None = None) -> None:
    """Hand messages to and fro."""
    cutter = wire.Cutter()
    tells = tells_at is not None
    while not gear.has_died and not has_ended():
        now_s = time.monotonic()
        for message in gear.due(now_s):
            link.write(message)
        due_s = gear.due_s()
        for_s = _LOOK_S if due_s is None else min(_LOOK_S, due_s - now_s)
        for raw in cutter.feed(link.read(for_s)):
            gear.take(raw, time.monotonic())
        if tells and tells_at is not None and gear.saw["packets"] > tells_at:
            tells = False
            print(json.dumps({"event": "packet", "packets": tells_at}), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
