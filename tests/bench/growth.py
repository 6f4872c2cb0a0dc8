"""How time and memory of whole commands grow with what they are given.

    python -m tests.bench growth [CASE ...]

Each command runs in a process of its own on files of three sizes; its processor time and peak
memory are those that the system counts, so a busy machine matters little.  The exponent is that of
the straight line through both axes' logarithms, the time of the smallest file (what starting up
takes) taken off: 1 is linear, 2 is quadratic.
"""

from __future__ import annotations

import math
import random
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from msgspec import Struct
from rich.console import Console
from rich.table import Table

from tests.judge.talking import Tape, header, packets, say

MOST_EXPONENT = 1.1
MOST_S = 15.0
MOST_MB = 400.0


# A small process starts the command: one that is started by a large one is counted as large.
_LAUNCHER = """
import resource, subprocess, sys
words = [sys.executable, "-m", "dryload", *sys.argv[1:], "--json"]
code = subprocess.run(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(code, used.ru_utime + used.ru_stime, used.ru_maxrss)
"""


def conversation(messages: int) -> Tape:
    """A dump in closed loop, half of the messages answers."""
    count = messages // 2 - 1
    tape = Tape().to(header(count)).back(say("ACK"))
    for number, packet in enumerate(packets(count)):
        tape.to(packet).back(say("ACK", number))
    return tape


def silence(messages: int) -> Tape:
    """A dump in open loop."""
    tape = Tape().to(header(messages - 1))
    for at, packet in enumerate(packets(messages - 1)):
        tape.to(packet, 20 if at else 2000)
    return tape


def rejected(times: int) -> Tape:
    """A dump of three packets, the second of which is rejected so many times."""
    one, two, three = packets(3)
    tape = Tape().to(header(3)).back(say("ACK")).to(one).back(say("ACK"))
    for _ in range(times):
        tape.to(two).back(say("NAK", 1))
    return tape.to(two).back(say("ACK", 1)).to(three).back(say("ACK", 2))


def altered(times: int) -> Tape:
    """The same, and what was rejected is damaged, each time in another way."""
    one, two, three = packets(3)
    tape = Tape().to(header(3)).back(say("ACK")).to(one).back(say("ACK"))
    for at in range(times):
        place = 5 + at % 120
        tape.to(two[:place] + bytes([two[place] ^ (1 + at % 127)]) + two[place + 1 :])
        tape.back(say("NAK", 1))
    return tape.to(two).back(say("ACK", 1)).to(three).back(say("ACK", 2))


def small_dumps(count: int) -> bytes:
    """Dumps of two packets, one behind another."""
    body = b"".join(packets(2))
    return b"".join(header(2, sample_number=at % 16_384) + body for at in range(count))


def small_talk(count: int) -> Tape:
    """The same, each message answered."""
    tape = Tape()
    for at in range(count):
        tape.to(header(2, sample_number=at % 16_384)).back(say("ACK"))
        for number, packet in enumerate(packets(2)):
            tape.to(packet).back(say("ACK", number))
    return tape


def scraps(size: int) -> bytes:
    """One dump and then so many bytes of torn packets, loose bytes and odd messages."""
    rng = random.Random(7)
    made = bytearray(header(2) + b"".join(packets(2)))
    packet = packets(1)[0]
    while len(made) < size:
        at = rng.randrange(1, 127)
        made += rng.choice(
            (packet[:at], packet[at:], rng.randbytes(at), bytes([0xF0, 0x7E, 0, 5, 9, 0xF7]))
        )
    return bytes(made)


def lines(tape: Tape) -> Iterator[str]:
    """The recording as a capture of JSON Lines (see DEVELOPERS.md)."""
    yield (
        '{"schema": "dryload/capture/1", "start_ns": 0, "taken_at": "line", '
        '"directions": ["to unit", "from unit"]}\n'
    )
    for each in tape.passages:
        yield (
            f'{{"direction": "{each.direction.value}", "end_ns": {each.end_ns}, '
            f'"hex": "{each.data.hex()}"}}\n'
        )


class Case(Struct, frozen=True, dict=True):
    """What is made, in which sizes, and the commands that are given it."""

    make: Callable[[int], Tape] | Callable[[int], bytes]
    sizes: tuple[int, ...]
    commands: tuple[str, ...]


_ALL = ("validate", "diagnose", "replay")
CASES = {
    "conversation, messages": Case(conversation, (1_000, 10_000, 100_000), _ALL),
    "open loop, messages": Case(silence, (500, 5_000, 50_000), _ALL),
    "one packet rejected, times": Case(rejected, (1_000, 10_000, 40_000), _ALL),
    "one packet damaged, times": Case(altered, (1_000, 10_000, 40_000), _ALL),
    "dumps of two packets": Case(small_dumps, (3_600, 36_000, 360_000), ("validate",)),
    "answered dumps of two packets": Case(small_talk, (200, 2_000, 20_000), _ALL),
    "scraps, bytes": Case(scraps, (70_000, 700_000, 7_000_000), ("validate", "diagnose")),
}


def measured(command: str, path: Path) -> tuple[float, float]:
    """Return the seconds of processor and the megabytes at most that a command takes."""
    words = [sys.executable, "-c", _LAUNCHER, command, str(path)]
    run = subprocess.run(words, capture_output=True, text=True, check=True)
    code, seconds, kilobytes = run.stdout.split()
    if int(code) not in (0, 1):
        raise RuntimeError(f"dryload {command} {path} ends with {code}")
    return float(seconds), int(kilobytes) / 1024


def exponent(sizes: tuple[int, ...], seconds: list[float]) -> float:
    """Return the power of the size with which the time grows, as fitted to all but the first."""
    grown = [max(each - seconds[0], 0.01) for each in seconds[1:]]
    rest = [size - sizes[0] for size in sizes[1:]]
    return math.log(grown[-1] / grown[0]) / math.log(rest[-1] / rest[0])


def main(names: list[str]) -> int:
    """Measure the cases whose names begin with one of `names`, all by default."""
    shown = Table(box=None)
    for title in ("what", "command", "size", "s", "MB", "exponent"):
        shown.add_column(title, justify="left" if title in ("what", "command") else "right")
    wrong = 0
    chosen = {
        name: case for name, case in CASES.items() if not names or name.startswith(tuple(names))
    }
    with tempfile.TemporaryDirectory() as folder:
        for name, case in chosen.items():
            for command in case.commands:
                found = []
                for size in case.sizes:
                    made = case.make(size)
                    path = Path(folder) / ("file.syx" if isinstance(made, bytes) else "file.jsonl")
                    if isinstance(made, bytes):
                        path.write_bytes(made)
                    else:
                        path.write_text("".join(lines(made)))
                    found.append(measured(command, path))
                    seconds, megabytes = found[-1]
                    power = ""
                    bad = seconds > MOST_S or megabytes > MOST_MB
                    if size == case.sizes[-1]:
                        grows = exponent(case.sizes, [each for each, _ in found])
                        power = f"{grows:.2f}"
                        bad |= grows > MOST_EXPONENT
                    wrong += bad
                    shown.add_row(
                        *(name, command, f"{size:,}", f"{seconds:.2f}", f"{megabytes:.0f}", power),
                        style="bold red" if bad else None,
                    )
                    print(name, command, size, *found[-1], power, file=sys.stderr)
    Console(width=120).print(shown)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
