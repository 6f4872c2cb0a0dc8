"""Everything that reads a dump reads the same in it, whole or damaged.

`validate`, `decode`, `diff`, `replay` and `diagnose` each say what a file holds: words, sample
number, name, loops, period.  Here they are asked one by one, and a plain reading of the file by the
independent codec where the standard leaves no doubt.  `python -m tests.judge.test_readers_agree N`
asks for N files.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.capture import Capture, Direction
from dryload.emulator.dump.sample import Loop, Sample
from dryload.emulator.wire.messages import DumpHeader
from dryload.harness.diagnose.diagnose import diagnose
from dryload.harness.files.dumpfile import load
from dryload.harness.files.recorded import Recorded, back_to_back
from dryload.harness.jobs.compare import compare_files
from dryload.harness.jobs.convert import decode_file
from dryload.harness.jobs.dumps import dumps_in
from dryload.harness.jobs.subjects import source
from dryload.harness.judge.dialogue.content import messages_of
from dryload.harness.judge.dump import read_stream
from dryload.harness.judge.plan import plan_of
from dryload.harness.judge.stream import judge_stream
from tests import damage, oracle

FILES_HERE = 300
NAME = b"Gulls"


class Held(Struct, frozen=True, dict=True):
    """What one reader says that a dump holds; words by their place in the planned sample."""

    number: int
    period_ns: int | None
    words: dict[int, int]
    name: str
    sustain: Loop
    loops: tuple[tuple[int, Loop], ...]


def held(sample: Sample, number: int, words: dict[int, int]) -> Held:
    period_ns = round(10**9 / sample.rate)
    return Held(number, period_ns, words, sample.name, sample.sustain, sample.loops)


def by_validate(data: bytes) -> Iterator[Held]:
    for verdict in judge_stream(data):
        contents = verdict.contents
        if contents.sample is None or contents.header is None or contents.plan is None:
            continue
        step = contents.plan.per_packet
        places = range(contents.found) if contents.places is None else contents.places.tolist()
        at = [place * step + word for place in places for word in range(step)]
        assert contents.words is not None
        words = dict(zip(at, contents.words.tolist(), strict=False))
        yield held(contents.sample, contents.header.sample_number, words)


def by_decode(path: Path, number: int, there: dict[int, int]) -> Held:
    """What `decode` writes; of what is not `there` it may only make silence."""
    taken = decode_file(str(path), number)
    words = dict(enumerate(taken.sample.words.tolist()))
    assert all(word == 0 for at, word in words.items() if at not in there)
    present = {at: word for at, word in words.items() if at in there}
    return held(taken.sample, taken.header.sample_number, present)


def in_order(sample: Sample, there: dict[int, int]) -> dict[int, int]:
    return dict(zip(sorted(there), sample.words.tolist(), strict=True))


def readings(data: bytes, path: Path) -> list[dict[str, Held]]:
    """What each reader says of each dump of a file."""
    path.write_bytes(data)
    found = []
    subjects = [each for each in source(str(path)).subjects if each.sample is not None]
    played = list(dumps_in(load(str(path))))
    capture = Capture(back_to_back([(Direction.TO_UNIT, data)]))
    only = Recorded(capture=capture, directions=(Direction.TO_UNIT,), is_timed=False)
    seen = [each for each in diagnose(only).scene.dumps if plan_of(each.header) is not None]
    for index, one in enumerate(by_validate(data)):
        subject, dump = subjects[index], played[index]
        assert subject.sample is not None
        of_dump = {
            "validate": one,
            "diff": held(
                subject.sample, subject.sample_number or 0, in_order(subject.sample, one.words)
            ),
            "replay": held(
                dump.sample, dump.header.sample_number, in_order(dump.sample, one.words)
            ),
        }
        if one.words:
            of_dump["decode"] = by_decode(path, subject.number, one.words)
        header = seen[index].header
        assert isinstance(header, DumpHeader)
        sent = b"".join(each.piece.raw for each in messages_of(seen[index].talk, both=False))
        contents = next(each for each in read_stream(sent) if each.header is not None)
        assert contents.sample is not None
        of_dump["diagnose"] = held(
            contents.sample, header.sample_number, in_order(contents.sample, one.words)
        )
        found.append(of_dump)
    return found


def agree(data: bytes, path: Path) -> Held | None:
    """Ask all readers; return what they say of the first dump."""
    found = readings(data, path)
    for of_dump in found:
        for reader, says in of_dump.items():
            assert says == of_dump["validate"], reader
    return found[0]["validate"] if found else None


def random_file(rng: random.Random) -> tuple[bytes, damage.RandomDump, list[str]]:
    """A file of one dump or two, with names and loops before or behind it; the first dump as it was
    made, with these for its data; and what was done to it."""
    made = damage.random_dump(rng, minimum_packets=2, long_share=0.02)
    data, done = made.data, []
    for _ in range(rng.choice((0, 1, 1, 1, 2, 3))):
        kind = rng.choice(list(damage.KINDS))
        try:
            data = damage.KINDS[kind](data, rng).data
        except (ValueError, IndexError):
            break  # what is torn already can't be damaged any more
        done.append(kind)
    name = oracle.sample_name(sample_number=made.sample_number, name=NAME)
    loop = oracle.loop_points(sample_number=made.sample_number, loop_number=1, loop_end=9)
    extras = rng.sample([name, loop], rng.randrange(3))
    for extra in extras:
        data = extra + data if rng.random() < 0.5 else data + extra
    if rng.random() < 0.2:
        data += damage.random_dump(rng, long_share=0).data
    return data, replace(made, data=b"".join(extras)), done


def try_file(seed: int, path: Path) -> None:
    """Ask all readers of one random file, and hold them against what it was made of."""
    data, made, done = random_file(random.Random(seed))
    first = agree(data, path)
    if first is None:
        return
    assert first.number == made.sample_number
    assert first.period_ns == made.period_ns
    assert first.name == (NAME.decode() if NAME in made.data else "")
    assert bool(first.loops) == (b"\x05\x01" in made.data)
    if not set(done) - {"doubled_packet", "other_device_id", "swapped_packets"}:
        assert first.words == dict(enumerate(made.words)) or len(done) > 1


@pytest.mark.parametrize("start", range(0, FILES_HERE, 50))
def test_all_readers_read_the_same(tmp_path: Path, start: int) -> None:
    for seed in range(start, start + 50):
        try_file(seed, tmp_path / "file.syx")


# What readers disagreed about.

WORDS = list(range(-60, 61))  # four packets of 16 bits, the last with one word
DUMP = oracle.dump(bits=16, words=WORDS, sample_number=3, period_ns=22_676)
PACKETS = oracle.packets(bits=16, words=WORDS)
HEADER = DUMP[:21]


def test_a_packet_that_stands_twice_counts_once(tmp_path: Path) -> None:
    """Which is what it is for that packets have numbers (HSK-15)."""
    first = agree(HEADER + PACKETS[0] + PACKETS[1] * 2 + b"".join(PACKETS[2:]), tmp_path / "a")
    assert first is not None
    assert list(first.words.values()) == WORDS


def test_packets_in_each_others_place_are_taken_by_their_numbers(tmp_path: Path) -> None:
    swapped = HEADER + PACKETS[0] + PACKETS[2] + PACKETS[1] + PACKETS[3]
    first = agree(swapped, tmp_path / "a")
    assert first is not None
    assert list(first.words.values()) == WORDS
    (tmp_path / "b").write_bytes(DUMP)
    result = compare_files(str(tmp_path / "a"), str(tmp_path / "b"))
    assert result.different  # a unit stores them in the order in which they come
    comparison = result.pairs[0].comparison
    assert comparison is not None
    assert [each.field for each in comparison.fields] == ["order of packets"]


def test_a_name_before_its_header_belongs_to_the_dump(tmp_path: Path) -> None:
    name = oracle.sample_name(sample_number=3, name=NAME)
    first = agree(name + DUMP, tmp_path / "a")
    assert first is not None
    assert first.name == "Gulls"
    (verdict,) = (each for each in judge_stream(name + DUMP) if each.contents.section.opening)
    (finding,) = verdict.findings
    assert (finding.clause, str(finding.verdict), finding.at.byte) == ("HDR-01", "noted", 0)
    (dump,) = dumps_in(load(str(tmp_path / "a")))
    assert dump.outgoing.after == (name,)


def test_a_name_belongs_to_the_last_dump_of_its_number_before_it(tmp_path: Path) -> None:
    name = oracle.sample_name(sample_number=3, name=NAME)
    other = oracle.dump(bits=8, words=[1, 2], sample_number=4, period_ns=22_676)
    names = [each["validate"].name for each in readings(DUMP + other + name, tmp_path / "a")]
    assert names == ["Gulls", ""]
    names = [each["diff"].name for each in readings(DUMP + DUMP + name, tmp_path / "a")]
    assert names == ["", "Gulls"]


def test_filler_behind_the_last_word_is_no_word_where_a_packet_is_missing(tmp_path: Path) -> None:
    first = agree(HEADER + PACKETS[0] + PACKETS[1] + PACKETS[3], tmp_path / "a")
    assert first is not None
    assert list(first.words.values()) == WORDS[:80] + WORDS[120:]


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(int(sys.argv[1])):
            try_file(seed, Path(folder) / "file.syx")
    print(f"All readers agree on {int(sys.argv[1]):,} files.")
