"""WAV and AIFF chunks in plain bytes, written and read without a line of the project's code.

Layouts of "Multimedia Data Standards Update" (April 1994) and "Audio Interchange File Format" 1.3
(1989), from memory; `test_instrument.py` holds them against a foreign audio library.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

Order = Literal["little", "big"]


class SmplLoop(NamedTuple):
    """A loop of a `smpl` chunk; `end` is the last frame played."""

    start: int
    end: int
    kind: int = 0
    fraction: int = 0
    times: int = 0


class Smpl(NamedTuple):
    """What a `smpl` chunk says."""

    period: int
    key: int
    fraction: int
    loops: tuple[SmplLoop, ...]


class Inst(NamedTuple):
    """What `INST` and `MARK` say; markers stand in front of the frame of their number."""

    key: int
    detune: int
    mode: int
    begin: int
    stop: int


def little(*values: int) -> bytes:
    return b"".join(value.to_bytes(4, "little") for value in values)


def order_of(file: bytes) -> Order:
    return "little" if file.startswith(b"RIFF") else "big"


def chunk(name: bytes, body: bytes, order: Order = "little") -> bytes:
    size = len(body).to_bytes(4, order)
    return name + size + body + b"\0" * (len(body) % 2)


def with_chunks(file: bytes, *chunks: bytes) -> bytes:
    """Return a WAV or AIFF file with chunks behind all others."""
    file += b"\0" * (len(file) % 2)
    made = file + b"".join(chunks)
    size = (len(made) - 8).to_bytes(4, order_of(file))
    return made[:4] + size + made[8:]


def smpl(
    loops: Sequence[SmplLoop] = (),
    *,
    key: int = 60,
    fraction: int = 0,
    period: int = 22_675,
    announced: int | None = None,
) -> bytes:
    count = len(loops) if announced is None else announced
    body = little(0, 0, period, key, fraction, 0, 0, count, 0)
    for index, loop in enumerate(loops):
        body += little(index, loop.kind, loop.start, loop.end, loop.fraction, loop.times)
    return chunk(b"smpl", body)


def markers(*places: tuple[int, int]) -> bytes:
    """A `MARK` chunk of (number, place); names have even and odd lengths."""
    body = len(places).to_bytes(2, "big")
    for index, (number, place) in enumerate(places):
        name = b"gulls"[: index % 5]
        text = bytes([len(name)]) + name
        body += number.to_bytes(2, "big") + place.to_bytes(4, "big")
        body += text + b"\0" * (len(text) % 2)
    return chunk(b"MARK", body, "big")


def inst(key: int, detune: int, mode: int, begin: int, stop: int, *, release: int = 0) -> bytes:
    body = bytes([key, detune % 256, 0, 127, 1, 127, 0, 0])
    for number in (mode, begin, stop, release, 0, 0):
        body += number.to_bytes(2, "big")
    return chunk(b"INST", body, "big")


def chunks_of(file: bytes) -> dict[bytes, bytes]:
    order = order_of(file)
    assert int.from_bytes(file[4:8], order) == len(file) - 8
    found, at = {}, 12
    while at < len(file):
        size = int.from_bytes(file[at + 4 : at + 8], order)
        assert file[at : at + 4] not in found
        found[file[at : at + 4]] = file[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    assert at == len(file)
    return found


def smpl_of(file: bytes) -> Smpl:
    body = chunks_of(file)[b"smpl"]
    fields = [int.from_bytes(body[at : at + 4], "little") for at in range(0, len(body), 4)]
    count = fields[7]
    assert len(fields) == 9 + 6 * count
    rows = [fields[9 + 6 * index :][:6] for index in range(count)]
    loops = tuple(SmplLoop(row[2], row[3], row[1], row[4], row[5]) for row in rows)
    return Smpl(fields[2], fields[3], fields[4], loops)


def inst_of(file: bytes) -> Inst:
    chunks = chunks_of(file)
    body, marks = chunks[b"INST"], chunks.get(b"MARK", b"\0\0")
    places, at = {0: -1}, 2
    for _ in range(int.from_bytes(marks[:2], "big")):
        number = int.from_bytes(marks[at : at + 2], "big")
        places[number] = int.from_bytes(marks[at + 2 : at + 6], "big")
        at += 6 + 1 + marks[at + 6]
        at += at % 2
    assert at == len(marks)
    mode, begin, stop = (int.from_bytes(body[at : at + 2], "big") for at in (8, 10, 12))
    detune = int.from_bytes(body[1:2], "big", signed=True)
    return Inst(body[0], detune, mode, places[begin], places[stop])
