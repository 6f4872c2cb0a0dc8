"""What is taken for a dump file, and what is refused, with its kind named."""

import io
import os
import random
import re
import shutil
import subprocess
import sys
import tracemalloc
import zipfile
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from dryload.harness.files import dumpfile, midifile
from dryload.harness.files.dumpfile import Form, holds_dump, load
from dryload.harness.files.problem import USAGE, NoDump, Problem
from tests import damage, oracle
from tests.files.test_midifile import exclusive, file_of, track

DUMP = oracle.dump(bits=16, words=list(range(-60, 61)), sample_number=3, period_ns=22_676)
EXTENSIONS = (
    oracle.dump_request(sample_number=5),
    oracle.loop_points(sample_number=1, loop_number=2),
    oracle.loop_points_request(sample_number=1, loop_number=2),
    oracle.sample_name(sample_number=1, name=b"Gulls"),
    oracle.sample_name_request(sample_number=1),
    oracle.extended_header(sample_number=1, bits=16, rate_integer=44_100, length=0, channels=1),
)


def put(folder: Path, data: bytes, name: str = "thunder.syx") -> str:
    path = folder / name
    path.write_bytes(data)
    return str(path)


def refused(path: str) -> str:
    with pytest.raises(Problem) as caught:
        load(path)
    assert caught.value.code == USAGE
    line = str(caught.value)
    assert line.isprintable()
    return line


class Piped:
    """Standard input with bytes in it."""

    closed = False

    def __init__(self, data: bytes, *, keyboard: bool = False) -> None:
        self.buffer = io.BytesIO(data)
        self._keyboard = keyboard

    def isatty(self) -> bool:
        return self._keyboard


@pytest.mark.parametrize(
    "name", ["thunder.syx", "thunder.sds", "thunder.jpg", "thunder", "a b.syx"]
)
def test_a_dump_is_known_by_what_it_holds_and_not_by_its_name(tmp_path: Path, name: str) -> None:
    path = put(tmp_path, DUMP, name)
    file = load(path)
    assert (file.name, file.form, file.data) == (path, Form.RAW, DUMP)


def test_a_midi_file_gives_the_same_bytes(tmp_path: Path) -> None:
    content = midifile.build(
        [(0, DUMP[:21]), (2_006_720_000, DUMP[21:148]), (2_067_360_000, DUMP[148:275])]
    )
    file = load(put(tmp_path, content, "thunder.syx"))
    assert (file.form, file.data) == (Form.MIDI_FILE, DUMP[:275])


def test_a_midi_file_keeps_its_remarks(tmp_path: Path) -> None:
    content = file_of(track(exclusive(DUMP[1:])), b"\x80\x80")
    assert load(put(tmp_path, content)).remarks


def test_names_that_are_not_utf_8(tmp_path: Path) -> None:
    path = os.fsdecode(os.fsencode(str(tmp_path)) + b"/gull\xff\n.syx")
    try:
        Path(path).write_bytes(DUMP)
    except OSError:
        pytest.skip("this file system keeps no such names")
    assert load(path).data == DUMP
    Path(path).write_bytes(b"no dump\n")
    assert r"gull\udcff\n.syx is a text file" in refused(path)


@pytest.mark.parametrize("message", EXTENSIONS)
@pytest.mark.parametrize("before", [b"", b"\x00\x12", b"\xfe\xf8", oracle.identity_request()])
def test_any_message_of_the_standard_makes_a_dump_file(
    tmp_path: Path, message: bytes, before: bytes
) -> None:
    assert load(put(tmp_path, before + message)).data == before + message


@given(seed=st.integers(0, 2**32))
@pytest.mark.parametrize("kind", damage.KINDS.values(), ids=damage.KINDS)
def test_a_broken_dump_is_still_a_dump(kind: damage.Kind, seed: int) -> None:
    rng = random.Random(seed)
    dump = damage.random_dump(rng, minimum_packets=kind.minimum_packets, long_share=0)
    assert holds_dump([kind(dump.data, rng).data])


AS_TEXT = {
    "UTF-8": DUMP.decode("latin-1").encode("utf-8"),
    "another table, UTF-8": DUMP.decode("cp1252").encode("utf-8"),
    "UTF-8 with a mark": DUMP.decode("latin-1").encode("utf-8-sig"),
    "EF BF BD": DUMP.decode("ascii", "replace").encode("utf-8"),
    "UTF-16": DUMP.decode("latin-1").encode("utf-16"),
    "big UTF-16": b"\xfe\xff" + DUMP.decode("latin-1").encode("utf-16-be"),
    "UTF-16 without a mark": DUMP.decode("latin-1").encode("utf-16-le"),
}
"""What programs make of a dump that is opened and saved as text (common practice)."""


@pytest.mark.parametrize("how", AS_TEXT)
def test_a_dump_that_was_saved_as_text_is_told_with_what_to_do(tmp_path: Path, how: str) -> None:
    path = put(tmp_path, AS_TEXT[how])
    line = refused(path)
    assert f"{path} is text made of a dump" in line
    assert "Get the original once more and copy it as a file of bytes" in line
    with pytest.raises(NoDump) as caught:
        load(path)
    assert not caught.value.is_other  # in a folder it is not passed over as something else


@pytest.mark.skipif(shutil.which("iconv") is None, reason="iconv is not here")
def test_the_command_that_undoes_it_gives_the_dump_back(tmp_path: Path) -> None:
    path = put(tmp_path, AS_TEXT["UTF-8"])
    _, _, command = refused(path).partition("undo it: ")
    words = command.partition(" FILE >")[0].split()
    assert words[0] == "iconv"
    assert subprocess.run([*words, path], capture_output=True, check=True).stdout == DUMP


def test_what_is_no_dump_saved_as_text_is_a_text_or_a_dump(tmp_path: Path) -> None:
    assert " is a text file" in refused(put(tmp_path, "ð~ is a letter and a sign".encode()))
    maker = b"\xf0\x00\x7e\x00\x01\x00\x01\x00\xf7"  # F0 and a maker's ID of three bytes
    assert load(put(tmp_path, maker + DUMP)).data == maker + DUMP


@pytest.mark.parametrize("length", range(4, 21))
def test_a_header_that_was_cut_off_is_a_dump(tmp_path: Path, length: int) -> None:
    assert load(put(tmp_path, DUMP[:length])).data == DUMP[:length]


def test_packets_without_a_header_are_a_dump(tmp_path: Path) -> None:
    assert load(put(tmp_path, b"\x00" + DUMP[22:])).data == b"\x00" + DUMP[22:]


@pytest.mark.parametrize("byte", range(0xF8, 0x100))
@pytest.mark.parametrize("at", [1, 2, 3, 4, 10])
def test_real_time_bytes_hide_no_message(byte: int, at: int) -> None:
    """They may stand anywhere, even between F0 and 7E (M1 pp. 5, 29)."""
    assert holds_dump([b"\x00" + DUMP[:at] + bytes([byte]) * 3 + DUMP[at:21]])


@given(st.lists(st.integers(0, 400), max_size=6), st.data())
def test_where_a_block_ends_makes_no_difference(cuts: list[int], data: st.DataObject) -> None:
    stream = bytearray(b"\x00" * 60 + DUMP[:148])
    for _ in range(data.draw(st.integers(0, 20))):
        stream.insert(data.draw(st.integers(0, len(stream))), data.draw(st.integers(0xF8, 0xFF)))
    edges = [0, *sorted(cuts), len(stream)]
    blocks = [bytes(stream[a:b]) for a, b in pairwise(edges)]
    assert holds_dump(blocks)


def _wav(kind: str = "WAV") -> bytes:
    target = io.BytesIO()
    soundfile.write(target, np.zeros(10, np.int16), 44_100, format=kind)
    return target.getvalue()


def _zip() -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("thunder.syx", DUMP)
    return target.getvalue()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (bytes.fromhex("FF D8 FF E0 00 10 4A 46 49 46 00") + DUMP, "is a JPEG picture, not a dump"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "is a PNG picture, not a dump"),
        (_wav(), "is a WAV sound, not a dump. dryload encode makes a dump from it."),
        (_wav("AIFF"), "is an AIFF sound"),
        (_wav("FLAC"), "is a FLAC sound"),
        (_wav("OGG"), "is an Ogg sound"),
        (_zip(), "is a ZIP archive, not a dump. Unpack it first."),
        (b"the thunder sheet hangs left\n", "is a text file, not a dump"),
        ("der Donner grüßt\n".encode() * 300, "is a text file"),
        (b"F0 7E 00 01 01 00 10", "is a text file of hexadecimal numbers"),
        (b"0xf0, 0x7e, 0x00", "is a text file of hexadecimal numbers"),
        (b"%PDF-1.7\n%\xe2\xe3", "is a PDF document"),
        (bytes(1000), "is not a dump: no sample dump message is in it"),
        (b"\xf0\x7e", "is not a dump"),
        (bytes.fromhex("F0 43 00 09 20 00 F7"), "System Exclusive messages, but none of a sample"),
        (oracle.identity_request() * 5, "System Exclusive messages, but none of a sample"),
        (file_of(track(b"\x00\x90\x40\x40")), "is a Standard MIDI File that has no System Excl"),
        (file_of(track(exclusive(b"\x43\xf7"))), "is a Standard MIDI File that holds no sample"),
        (b"", "is empty"),
    ],
)
def test_what_is_no_dump_is_named(tmp_path: Path, content: bytes, said: str) -> None:
    line = refused(put(tmp_path, content, "ship's bell"))
    assert line.startswith(f"{tmp_path}/ship's bell ")
    assert said in line


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda path: None, "there is no such file"),
        (lambda path: path.mkdir(), "is a folder"),
        (os.mkfifo, "is a pipe"),
        (lambda path: path.symlink_to("/dev/null"), "is a device"),
        (lambda path: path.symlink_to(path), "cannot be read"),
    ],
    ids=["missing", "folder", "pipe", "device", "circle"],
)
def test_what_is_no_file_is_named(
    tmp_path: Path, make: Callable[[Path], object], said: str
) -> None:
    path = tmp_path / "gulls"
    make(path)
    assert said in refused(str(path))


@pytest.mark.parametrize("name", ["", "a\0b", "x" * 5000, "thunder.syx/inside"])
def test_names_that_no_file_can_have(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.chdir(tmp_path)
    put(tmp_path, DUMP)
    assert refused(name)


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = put(tmp_path, DUMP)

    def deny(name: str, mode: str) -> None:
        raise PermissionError(13, "Permission denied", name)

    # Some users may read everything, so the refusal is played.
    monkeypatch.setattr("builtins.open", deny)
    assert "may not be read" in refused(path)


def test_a_file_that_fails_while_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Failing(io.BytesIO):
        def read(self, size: int | None = -1, /) -> bytes:
            raise OSError(5, "Input/output error")

    path = put(tmp_path, DUMP)
    monkeypatch.setattr("builtins.open", lambda name, mode: Failing())
    assert "cannot be read: Input/output error" in refused(path)


def test_a_file_that_is_too_large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dumpfile, "LARGEST", 1 << 20)
    path = put(tmp_path, DUMP + bytes((1 << 20) - len(DUMP)))
    assert load(path)
    put(tmp_path, DUMP + bytes((1 << 20) - len(DUMP) + 1))
    assert "too large: more than 1 MB" in refused(path)


@pytest.mark.parametrize("filling", [b"\xf0", b"\xf0\x7e", b"\xff", b"\xf0\x7e\x00\x01"])
def test_a_large_file_is_refused_in_little_memory(tmp_path: Path, filling: bytes) -> None:
    path = put(tmp_path, b"\x00" + filling * (16_000_000 // len(filling)))
    tracemalloc.start()
    try:
        refused(path)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert most < 6 << 20


def test_noise_is_no_dump(tmp_path: Path) -> None:
    noise = random.Random(7).randbytes(8 << 20)
    starts = re.findall(rb"\xf0\x7e[\x00-\x7f][\x01-\x03\x05]", noise)
    assert starts, "a control: the four bytes alone do occur by chance"
    assert "no sample dump message" in refused(put(tmp_path, b"\x00" + noise))


def test_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", Piped(DUMP))
    file = load("-")
    assert (file.name, file.form, file.data) == ("-", Form.STANDARD_INPUT, DUMP)


def test_a_midi_file_from_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", Piped(file_of(track(exclusive(DUMP[1:])))))
    assert (load("-").form, load.__name__) == (Form.MIDI_FILE, "load")


@pytest.mark.parametrize(
    ("stdin", "said"),
    [
        (Piped(b""), "standard input is empty"),
        (Piped(b"no dump"), "standard input is a text file"),
        (Piped(DUMP, keyboard=True), "standard input is the keyboard"),
        (None, "standard input is closed"),
    ],
)
def test_standard_input_that_holds_no_dump(
    monkeypatch: pytest.MonkeyPatch, stdin: Piped | None, said: str
) -> None:
    monkeypatch.setattr(sys, "stdin", stdin)
    assert said in refused("-")
