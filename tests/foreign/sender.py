"""A foreign program as a process that plays one sample to a unit, or asks for one.

python -m tests.foreign.sender --to tcp:HOST:PORT|midi:NAME play|ask --number N [more]
Prints one JSON line when it is connected, and one at its end with what it met or got.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from typing import Any, Final

from tests.foreign import wire
from tests.foreign.habits import Habits
from tests.foreign.link import GoneError, Link, open_link
from tests.foreign.player import Player
from tests.foreign.unit import Gear

_LOOK_S: Final = 0.05


def main(arguments: Sequence[str]) -> None:
    """Play or ask."""
    chosen = _parser().parse_args(arguments)
    link = open_link(chosen.to)
    print(json.dumps({"event": "ready", "port": link.name}), flush=True)
    said = _play(chosen, link) if chosen.what == "play" else _ask(chosen, link)
    link.close()
    print(json.dumps({"event": "end", **said}), flush=True)


def dump_of(chosen: argparse.Namespace) -> tuple[bytes, list[bytes]]:
    """Return header and packets of the sample that was described."""
    head = wire.Head(
        sample=chosen.number,
        bits=chosen.bits,
        period_ns=chosen.period,
        length=chosen.length,
        loop_start=chosen.loop_start,
        loop_end=chosen.loop_end,
        loop_type=chosen.loop_type,
    )
    words = wire.ramp(chosen.factor, chosen.length, chosen.bits)
    return wire.header(head, chosen.device), wire.packets(words, chosen.bits, chosen.device)


def _play(chosen: argparse.Namespace, link: Link) -> dict[str, Any]:
    """Closed loop: an answer is waited for; open loop: nothing is listened to."""
    header, packets = dump_of(chosen)
    player = Player(
        header,
        packets,
        deaf=chosen.open,
        closed=not chosen.open,
        paced=chosen.paced,
        patience_s=chosen.patience,
    )
    try:
        _run(player, link, chosen)
    except GoneError as problem:
        return {**player.counts, "end": str(problem)}
    return {**player.counts, "end": player.end or "it took too long"}


def _run(player: Player, link: Link, chosen: argparse.Namespace) -> None:
    cutter = wire.Cutter()
    until_s = time.monotonic() + chosen.limit
    player.start(time.monotonic())
    while (now_s := time.monotonic()) < until_s:
        player.tick(now_s)
        for message in player.to_send:
            link.write(message)
        player.to_send.clear()
        if player.end:
            return
        for_s = _LOOK_S if player.due_s is None else min(_LOOK_S, player.due_s - now_s)
        for raw in cutter.feed(link.read(for_s)):
            if wire.said(raw, chosen.device) in wire.HANDSHAKES and len(raw) == 6:
                player.take(raw, time.monotonic())


def _ask(chosen: argparse.Namespace, link: Link) -> dict[str, Any]:
    """Request a sample, acknowledge what comes and keep it."""
    gear = Gear(Habits(device=chosen.device))
    try:
        _hear(gear, link, chosen)
    except GoneError as problem:
        return {**gear.summary(), "end": str(problem)}
    return {**gear.summary(), "end": "got" if gear.held else "nothing came"}


def _hear(gear: Gear, link: Link, chosen: argparse.Namespace) -> None:
    cutter = wire.Cutter()
    begun_s = heard_s = time.monotonic()
    link.write(wire.request(chosen.number, chosen.device))
    while (now_s := time.monotonic()) - heard_s < chosen.patience:
        for message in gear.due(now_s):
            link.write(message)
        if gear.held or now_s - begun_s > chosen.limit:
            return
        for raw in cutter.feed(link.read(_LOOK_S)):
            heard_s = time.monotonic()
            gear.take(raw, heard_s)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=("play", "ask"))
    parser.add_argument("--to", required=True, metavar="TARGET")
    parser.add_argument("--number", type=int, required=True)
    parser.add_argument("--device", type=int, default=0)
    parser.add_argument("--length", type=int, default=41)
    parser.add_argument("--factor", type=int, default=1021)
    parser.add_argument("--bits", type=int, default=16)
    parser.add_argument("--period", type=int, default=22_676)
    parser.add_argument("--loop-start", type=int, default=0)
    parser.add_argument("--loop-end", type=int, default=0)
    parser.add_argument("--loop-type", type=int, default=0x7F)
    parser.add_argument("--open", action="store_true")
    parser.add_argument("--paced", action="store_true")
    parser.add_argument("--patience", type=float, default=10.0, help="seconds for one answer")
    parser.add_argument("--limit", type=float, default=120.0, help="seconds for all of it")
    return parser


if __name__ == "__main__":
    main(sys.argv[1:])
