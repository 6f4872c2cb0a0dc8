"""The run over every word, on narrow widths: its own codec is right, and each fault is found."""

import ast
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import numpy as np
import pytest

from dryload.emulator.wire.packets import Rows, checksums, leading_packets, packet_rows
from dryload.emulator.wire.words import DataBytes, Words, unpack_checked
from tests import oracle
from tests.vectors.words import WORDS
from tests.wire import every_value, plain_arrays

# The plain codec for arrays against the plain codec for one word, and the typed vectors.


def told(words: list[int], bits: int, device_id: int) -> bytes:
    return plain_arrays.packets(np.array(words, np.int64), bits, device_id).tobytes()


def plainer(words: list[int], bits: int, device_id: int) -> bytes:
    return b"".join(oracle.packets(device_id=device_id, bits=bits, words=words))


@pytest.mark.parametrize("bits", range(8, 17))
def test_all_words_of_narrow_widths_are_the_packets_of_the_oracle(bits: int) -> None:
    words = list(range(-(2 ** (bits - 1)), 2 ** (bits - 1)))
    assert told(words, bits, bits) == plainer(words, bits, bits)


@pytest.mark.parametrize("bits", range(17, 29))
def test_words_of_wide_widths_are_the_packets_of_the_oracle(bits: int) -> None:
    low, high = -(2 ** (bits - 1)), 2 ** (bits - 1)
    edges = {
        sign * 2**power + near for sign in (-1, 1) for power in range(bits) for near in (-1, 0, 1)
    }
    rng = Random(bits)
    words = [word for word in sorted(edges) if low <= word < high]
    words += [rng.randrange(low, high) for _ in range(5_000)]
    assert {low, -1, 0, high - 1} <= set(words)
    assert told(words, bits, 127) == plainer(words, bits, 127)


@pytest.mark.parametrize(("bits", "word", "typed"), WORDS)
def test_typed_words(bits: int, word: int, typed: str) -> None:
    assert plain_arrays.word_bytes(np.array([word]), bits).tobytes() == bytes.fromhex(typed)


@pytest.mark.parametrize("count", [1, 59, 60, 61, 120])
def test_the_last_packet_is_filled_up(count: int) -> None:
    assert told([127] * count, 8, 0) == plainer([127] * count, 8, 0)


def test_it_shares_nothing_with_the_project() -> None:
    source = Path(plain_arrays.__file__).read_text("utf-8")
    imports = [
        node
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Import | ast.ImportFrom)
    ]
    names = {getattr(node, "module", None) or node.names[0].name for node in imports}
    assert names == {"typing", "numpy", "numpy.typing"}


# The run.


@pytest.mark.parametrize("bits", [8, 13, 18, 19, 22])
def test_each_word_goes_once(bits: int) -> None:
    dumps = list(every_value.dumps_of(bits))
    values = [value for dump in dumps for value in (dump.first, dump.first + dump.words)]
    assert values[0] == -(2 ** (bits - 1))
    assert values[-1] == 2 ** (bits - 1)
    assert values[1:-1:2] == values[2:-1:2]  # each goes on where the one before it ended
    assert {dump.bits for dump in dumps} == {bits}


def test_narrow_widths_are_right(capsys: pytest.CaptureFixture[str]) -> None:
    assert every_value.main(["--bits", "8", "9", "15", "16", "19", "--jobs", "2"]) == 0
    words = 2**8 + 2**9 + 2**15 + 2**16 + 2**19
    assert capsys.readouterr().out == f"{words:,} words of 5 widths: none wrong.\n"


# It can fail: one fault each in what the project writes or reads.  256 words of 8 bits fill five
# packets, the last with 16 words; word 5 stands in packet 2 (60 words each) at place 13.


def writes_one_word_wrong(words: Words, bits: int, device_id: int) -> Rows:
    return packet_rows(np.where(words == 5, 6, words), bits, device_id)


def writes_a_wrong_checksum(words: Words, bits: int, device_id: int) -> Rows:
    rows = packet_rows(words, bits, device_id)
    rows[2, 125] ^= 1
    return rows


def writes_other_filler(words: Words, bits: int, device_id: int) -> Rows:
    rows = packet_rows(words, bits, device_id)
    rows[4, 5 + 2 * 16] = 0x40
    return rows


def writes_a_packet_too_few(words: Words, bits: int, device_id: int) -> Rows:
    return packet_rows(words, bits, device_id)[:-1]


def reads_one_word_wrong(data: DataBytes, bits: int) -> tuple[Words, bool]:
    words, stray = unpack_checked(data, bits)
    words[words == 5] = 6
    return words, stray


def sees_stray_bits(data: DataBytes, bits: int) -> tuple[Words, bool]:
    return unpack_checked(data, bits)[0], True


def sees_a_packet_too_few(buffer: DataBytes) -> int:
    return leading_packets(buffer) - 1


def sums_one_packet_wrong(rows: Rows, data: DataBytes) -> DataBytes:
    sums = checksums(rows, data)
    sums[2] ^= 1
    return sums


class Fault(NamedTuple):
    name: str
    """What it takes the place of."""
    faulty: Callable[..., Any]
    what: str
    first: str
    told: str


# Bytes from the table of M1 p. 37; the checksum of packet 2 is worked out by the oracle.
SUM = oracle.packets(bits=8, words=range(-128, 128))[2][125]
SUMS = f"{SUM ^ 1:02X} instead of {SUM:02X}"
FAULTS = (
    Fault(
        "packet_rows",
        writes_one_word_wrong,
        "written word",
        "5 (dump from -128, packet 2, word 13)",
        "43 00 instead of 42 40",  # 5 + 128 = 133, times 64 is 66 * 128 + 64
    ),
    Fault(
        "packet_rows",
        writes_a_wrong_checksum,
        "packet frame",
        "-8 (dump from -128, packet 2, word 0)",
        f"byte 125 is {SUMS}",
    ),
    Fault(
        "packet_rows",
        writes_other_filler,
        "packet frame",
        "112 (dump from -128, packet 4, word 0)",
        "byte 37 is 40 instead of 00",
    ),
    Fault(
        "packet_rows",
        writes_a_packet_too_few,
        "packet count",
        "-128 (dump from -128, packet 0, word 0)",
        "4 packets instead of 5",
    ),
    Fault(
        "unpack_checked",
        reads_one_word_wrong,
        "read word",
        "5 (dump from -128, packet 2, word 13)",
        "42 40 is read as 6",
    ),
    Fault(
        "unpack_checked",
        sees_stray_bits,
        "stray-bit check",
        "-128 (dump from -128, packet 0, word 0)",
        "unused low bits are said to be set",
    ),
    Fault(
        "leading_packets",
        sees_a_packet_too_few,
        "framing check",
        "-128 (dump from -128, packet 0, word 0)",
        "4 of 5 packets are seen",
    ),
    Fault(
        "checksums",
        sums_one_packet_wrong,
        "computed checksum",
        "-8 (dump from -128, packet 2, word 0)",
        SUMS,
    ),
)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.faulty.__name__)
def test_a_fault_is_found(
    fault: Fault, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(every_value, fault.name, fault.faulty)
    assert every_value.main(["--bits", "8", "--jobs", "1"]) == 1
    assert capsys.readouterr().out.splitlines() == [
        f"8 bits: 1 {fault.what} wrong, first at {fault.first}: {fault.told}",
        "256 words of 1 width: 1 place wrong.",
    ]


def test_each_width_and_kind_is_told_by_itself(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(every_value, "packet_rows", writes_one_word_wrong)
    monkeypatch.setattr(every_value, "unpack_checked", reads_one_word_wrong)
    assert every_value.main(["--bits", "16", "8", "--jobs", "1"]) == 1
    assert capsys.readouterr().out.splitlines() == [
        "8 bits: 1 read word wrong, first at 5 (dump from -128, packet 2, word 13): "
        "42 40 is read as 6",
        "8 bits: 1 written word wrong, first at 5 (dump from -128, packet 2, word 13): "
        "43 00 instead of 42 40",
        # 32773 words stand before it: 819 packets of 40, and 13.  5 * 32 is 1 * 128 + 32.
        "16 bits: 1 read word wrong, first at 5 (dump from -32768, packet 819, word 13): "
        "40 01 20 is read as 6",
        "16 bits: 1 written word wrong, first at 5 (dump from -32768, packet 819, word 13): "
        "40 01 40 instead of 40 01 20",
        "65,792 words of 2 widths: 4 places wrong.",
    ]


def test_all_places_count_and_the_lowest_is_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def reads_high_words_wrong(data: DataBytes, bits: int) -> tuple[Words, bool]:
        words, stray = unpack_checked(data, bits)
        return np.where(words >= 100_000, 0, words), stray

    monkeypatch.setattr(every_value, "unpack_checked", reads_high_words_wrong)
    assert every_value.main(["--bits", "20", "--jobs", "1"]) == 1  # four dumps of 2^18 words
    found, _ = capsys.readouterr().out.splitlines()
    assert found.startswith("20 bits: 424,288 read words wrong, first at 100000 (dump from 0, ")


def test_ctrl_c_ends_it_with_what_is_done(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def pressed(buffer: DataBytes) -> int:
        if len(buffer) > 1_000:  # more than the dump of 8 bits
            raise KeyboardInterrupt
        return leading_packets(buffer)

    monkeypatch.setattr(every_value, "leading_packets", pressed)
    assert every_value.main(["--bits", "8", "9", "--jobs", "1"]) == 130
    said = capsys.readouterr()
    assert said.out == "256 words of 1 width: none wrong.\n"
    assert "stopped" in said.err
