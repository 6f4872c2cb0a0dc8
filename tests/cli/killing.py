"""A served unit that is killed again and again, without a new interpreter each time.

Run as a process of its own, so that forking is safe: it has imported everything and has no threads.
Each round forks a unit that serves over TCP, sends it a dump that replaces one sample, kills it by
SIGKILL at a random instant, and loads the image again.  Prints one JSON line: what was found.
"""

from __future__ import annotations

import json
import os
import random
import signal
import socket
import sys
import time
from array import array
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from dryload.emulator.ports.clock import MonotonicClock
from dryload.emulator.ports.tcp import TcpServer
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.image import image_of
from dryload.harness.files.image_file import ImageFile
from dryload.harness.jobs.serve import Serving
from tests import oracle
from tests.unit.rack import profile_of

PROFILE: Final = profile_of(
    "[memory]\nbank_words = 1_500_000\nplaces = 1\nfitted = [1]\n[slots]\ncount = 6\n"
    "[input]\nstore_packet_ms = 0\nstore_header_ms = 0\n"
)
KEPT: Final = {1: 200_000, 2: 31, 5: 300_000}
"""Words of the slots that nobody sends to: writing a megabyte takes a while."""
REPLACED: Final = 4
"""The slot whose sample is replaced; its sample number is one less."""
WORDS: Final = 2_000
WORD: Final = array("h").itemsize
LATEST_S: Final = 0.04
"""How long after the last byte the unit is killed at the latest: then the image is long written."""


def words_of(seed: int, count: int) -> list[int]:
    rng = random.Random(seed)
    return [rng.randrange(-32_768, 32_768) for _ in range(count)]


def dump_of(number: int, words: Sequence[int]) -> bytes:
    return oracle.dump(bits=16, words=words, sample_number=number, period_ns=22_676)


def held_as(words: Sequence[int]) -> bytes:
    """Return words as they are compared: many as one value, which costs a fork nothing."""
    return array("h", words).tobytes()


def contents(unit: RackUnit) -> dict[int, bytes]:
    return {
        slot.number: slot.sample.words.tobytes() for slot in unit.slots if slot.sample is not None
    }


def load(path: Path) -> dict[int, bytes]:
    """Load the image as the command does; it has to be whole."""
    unit, file = RackUnit(PROFILE), ImageFile(str(path))
    said = file.load(unit)
    file.close()
    assert said == "", said
    held = contents(unit)
    taken = sum(line.region.words for line in unit.panel.memory_map() if line.slot is not None)
    assert taken * WORD == sum(len(words) for words in held.values())
    assert taken == unit.memory.used
    return held


def filled(path: Path) -> dict[int, bytes]:
    """Make the image that the first round begins with."""
    unit = RackUnit(PROFILE)
    now_ns = 0
    for number, count in (*KEPT.items(), (REPLACED, WORDS)):
        for _, message in oracle.split(dump_of(number - 1, words_of(number, count))):
            now_ns += 1
            unit.receive_bytes(message, now_ns)
            while unit.bytes_to_send():  # answers that nobody hears
                pass
    path.write_bytes(image_of(unit))
    held = contents(unit)
    assert held == {
        number: held_as(words_of(number, count))
        for number, count in (*KEPT.items(), (REPLACED, WORDS))
    }
    return held


def serve(path: Path, tells: int) -> None:
    """Serve for ever, in a process that somebody will kill."""
    file, unit, port = ImageFile(str(path)), RackUnit(PROFILE), TcpServer(0, MonotonicClock())
    file.load(unit)
    serving = Serving(port, unit, shown_port="test", byte_ns=0, image=file)
    os.write(tells, f"{port.address[1]}\n".encode())  # not sooner: what waits then is dropped
    serving.run(lambda: False)


def kill_once(path: Path, data: bytes, rng: random.Random) -> str:
    """Serve, send a part or all of `data`, kill; return when it was killed."""
    hears, tells = os.pipe()
    child = os.fork()
    if not child:
        try:
            serve(path, tells)
        finally:
            os._exit(9)
    os.close(tells)
    with os.fdopen(hears, "rb") as pipe:
        number = int(pipe.readline())
    before = path.read_bytes()
    when = rng.choice(("in the dump", "after the dump", "while writing", "when written"))
    with socket.create_connection(("127.0.0.1", number)) as peer:
        if when == "in the dump":
            peer.sendall(data[: rng.randrange(len(data))])
            time.sleep(rng.random() * 0.003)
        else:
            peer.sendall(data)
            if when == "while writing":
                await_true(draft_of(path).exists)
            elif when == "when written":
                await_true(lambda: path.read_bytes() != before)
            time.sleep(rng.random() * (LATEST_S if when == "after the dump" else 0.01))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), "the unit ended before it was killed"
    return when


def draft_of(path: Path) -> Path:
    return path.with_name(f".{path.name}.draft")


def await_true(happened: Callable[[], bool]) -> None:
    """Return when it has happened, or will not."""
    until_s = time.monotonic() + 1
    while not happened() and time.monotonic() < until_s:
        time.sleep(0.0001)


def main(arguments: Sequence[str]) -> None:
    folder, rounds, seed = Path(arguments[0]), int(arguments[1]), int(arguments[2])
    path = folder / "desk.image"
    rng = random.Random(seed)
    held = filled(path)
    assert load(path) == held
    found: Counter[str] = Counter()
    for number in range(rounds):
        words = words_of(1_000_000 * seed + number + 1, WORDS)
        new = held_as(words)
        when = kill_once(path, dump_of(REPLACED - 1, words), rng)
        found["drafts left"] += draft_of(path).exists()
        after = load(path)
        is_new = after[REPLACED] == new
        assert is_new or when != "when written", f"round {number}"
        assert after == {**held, REPLACED: new} if is_new else after == held, f"round {number}"
        found[f"{'new' if is_new else 'old'}, {when}"] += 1
        held = after
    assert sorted(entry.name for entry in folder.iterdir()) == ["desk.image"]
    print(json.dumps(found))


if __name__ == "__main__":
    main(sys.argv[1:])
