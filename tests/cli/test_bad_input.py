"""Whatever a command is given: one clear line or its findings, the right exit code, no traceback.

Every command runs as a process of its own with 1 GB of memory, and all of them run at the
beginning, a few at a time; the checks look at what came of them.
"""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import damage, oracle
from tests.cli.runs import PATIENCE_S, Ran, bounded, environment, run, run_all, start
from tests.cli.wrong_words import WRONG_WORDS
from tests.files.test_audio import wav
from tests.jobs.bench import words

OK, BROKEN, USAGE = 0, 1, 2
INTERRUPTED = 128 + signal.SIGINT  # as shells count
CLOSED_PIPE = 128 + signal.SIGPIPE
MB = 1 << 20

DUMP = oracle.dump(bits=16, words=words(400), sample_number=1, period_ns=22_676)
HEADER, PACKETS = damage.take_apart(DUMP)
JPEG = b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01" + bytes(range(256)) * 40
LETTER = "The thunder sheet hangs behind the left wing.\n" * 40
LONGEST = 2_097_151  # what the length field can say (M1 p. 37)
OVERLONG = oracle.header(sample_number=1, bits=16, period_ns=22_676, length=LONGEST)
STRANGE = {
    "spaces": b"a gull's cry .syx",
    "markup": b"[bold]thunder[red].syx",
    "option": b"--thunder.syx",
    "newline": b"thunder\nbell.syx",
    "escape": b"thunder\x1b[31m.syx",
    "not UTF-8": b"thunder \xff\xfe.syx",
}

READERS = {
    "validate": ("validate",),
    "replay": ("replay",),
    "diff": ("diff", "good.syx"),
    "explain": ("explain",),
    "decode": ("decode", "-o", "{out}.wav"),
}
"""The commands that read dumps; a file's name follows."""


# Files that are no dump: what stands on standard error, for each command that says it otherwise.
UNREADABLE: dict[str, dict[str, str]] = {
    "missing.syx": {
        "": "missing.syx: there is no such file. Check the name and the folder.",
        "explain": "missing.syx: this is neither a file nor bytes in hexadecimal.",
    },
    "folder": {"": "folder is a folder without files. Name a file, or a folder with files."},
    "empty.syx": {"": "empty.syx is empty: 0 bytes."},
    "picture.syx": {
        "": "picture.syx is a JPEG picture, not a dump.",
        "encode": "picture.syx is a JPEG picture, not an audio file.",
    },
    "letter.syx": {
        "": "letter.syx is a text file, not a dump. A dump file holds bytes, not text.",
        "encode": "letter.syx is a text file, not an audio file.",
    },
    "starts.syx": {  # 200 MB of F0
        "": "starts.syx is not a dump: no sample dump message is in it. "
        "A sample dump begins with F0 7E, a device ID and 01.",
        "encode": "starts.syx is not a readable audio file:",
    },
    "good.syx": {"encode": "good.syx is already a dump. dryload decode converts it to audio."},
}

# Dumps that are not whole: exit code by command, and what must be said somewhere.
TRUNCATED: dict[str, tuple[dict[str, int], str]] = {
    "cut.syx": (
        {"validate": BROKEN, "replay": BROKEN, "diff": BROKEN, "explain": OK, "decode": BROKEN},
        "packet",
    ),
    "header.syx": (
        {"validate": BROKEN, "replay": BROKEN, "diff": BROKEN, "explain": OK, "decode": USAGE},
        "400",  # words are missing
    ),
    "packets.syx": (
        {"validate": BROKEN, "replay": USAGE, "diff": USAGE, "explain": OK, "decode": USAGE},
        "header",
    ),
    "overlong.syx": (
        {"validate": BROKEN, "replay": BROKEN, "diff": BROKEN, "explain": OK, "decode": BROKEN},
        "52,42",  # 52,429 packets are called for, or the last is 52,428
    ),
}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with all those files."""
    folder = tmp_path_factory.mktemp("bench")
    files = {
        "good.syx": DUMP,
        "empty.syx": b"",
        "picture.syx": JPEG,
        "letter.syx": LETTER.encode(),
        "letter.toml": LETTER.encode(),
        "cut.syx": DUMP[:500],
        "header.syx": HEADER,
        "packets.syx": b"".join(PACKETS),
        "overlong.syx": OVERLONG + b"".join(PACKETS[:3]),
        "sound.wav": wav(words(300), width=2),
        "typo.toml": b'[unit]\nname = "attic"\n[memory]\nbank_wrods = 5\n',
        "impossible.toml": b'[unit]\nname = "attic"\n[memory]\nfitted = [2]\n',
    }
    for name, data in files.items():
        (folder / name).write_bytes(data)
    with (folder / "starts.syx").open("wb") as file:
        for _ in range(200):
            file.write(b"\xf0" * MB)
    for name in ("folder", "folder.toml"):
        (folder / name).mkdir()
    for raw in STRANGE.values():
        (folder / os.fsdecode(raw)).write_bytes(DUMP)
    return folder


def _command(reader: str, name: str | bytes, out: str) -> list[str | bytes]:
    return [word.format(out=out) for word in READERS[reader]] + ["--", name]


@pytest.fixture(scope="module")
def ran(bench: Path) -> dict[str, Ran]:
    """Everything, run once."""
    cases: dict[str, list[str | bytes]] = {}
    cases["validate unreadable"] = ["validate", *(name for name in UNREADABLE if told("", name))]
    for name in UNREADABLE:
        for reader in READERS:
            if reader != "validate" and told(reader, name):
                cases[f"{reader} {name}"] = _command(reader, name, f"{reader}-{name}")
        if told("encode", name):
            cases[f"encode {name}"] = ["encode", "-o", f"of-{name}.syx", "--", name]
    for name in TRUNCATED:
        for reader in READERS:
            cases[f"{reader} {name}"] = _command(reader, name, f"{reader}-{name}")
    for reader in ("validate", "replay"):
        cases[f"{reader} strange"] = [reader, "--", *STRANGE.values()]
    for what in ("markup", "escape", "not UTF-8"):
        cases[f"decode {what}"] = _command("decode", STRANGE[what], f"decode-{what}")
        cases[f"diff {what}"] = ["diff", "--", STRANGE[what], "cut.syx"]
    cases["explain option"] = ["explain", "--", STRANGE["option"]]
    cases |= {what: list(given) for what, (given, _) in WRONG_WORDS.items()}
    before = sorted(os.listdir(bench))
    done = run_all(cases, folder=bench)
    new = set(os.listdir(bench)) - set(before)
    assert all(name.startswith("decode-") for name in new)  # nothing else was written
    return done


def one_line(found: Ran, said: str) -> None:
    """It said that and nothing more, and nothing on standard output."""
    assert (found.code, found.out) == (USAGE, "")
    (line,) = found.lines
    assert line.startswith(f"dryload: {said}"), line
    assert line.isprintable()


def told(command: str, name: str) -> str | None:
    said = UNREADABLE[name]
    return said.get(command, said.get(""))


@pytest.mark.parametrize("command", ["replay", "diff", "explain", "decode", "encode"])
@pytest.mark.parametrize("name", UNREADABLE)
def test_a_file_that_is_no_dump_gets_one_line(ran: dict[str, Ran], command: str, name: str) -> None:
    if (said := told(command, name)) is not None:
        one_line(ran[f"{command} {name}"], said)


def test_several_files_that_are_no_dumps_get_one_line_each(ran: dict[str, Ran]) -> None:
    found = ran["validate unreadable"]
    assert (found.code, found.out.strip()) == (USAGE, "")
    expected = [said for name in UNREADABLE if (said := told("validate", name))]
    assert len(expected) == 6
    for line, said in zip(found.lines, expected, strict=True):
        assert line.startswith(f"dryload: {said}")


@pytest.mark.parametrize("command", READERS)
@pytest.mark.parametrize("name", TRUNCATED)
def test_a_dump_that_is_not_whole_gets_its_findings(
    ran: dict[str, Ran], command: str, name: str
) -> None:
    codes, said = TRUNCATED[name]
    found = ran[f"{command} {name}"]
    assert found.code == codes[command]
    assert said in found.out + found.err
    assert (found.out == "") == (found.code == USAGE)
    if found.code == USAGE:
        assert len(found.lines) == 1


def shown(what: str) -> str:
    """A name as it may stand on a terminal: what cannot be printed is written out."""
    return {
        "newline": "thunder\\nbell.syx",
        "escape": "thunder\\x1b[31m.syx",
        "not UTF-8": "thunder \\udcff\\udcfe.syx",
    }.get(what) or STRANGE[what].decode()


def test_strange_names_are_names(ran: dict[str, Ran]) -> None:
    for reader in ("validate", "replay"):
        found = ran[f"{reader} strange"]
        assert (found.code, found.err) == (OK, "")
        assert all(line.isprintable() for line in found.out.splitlines())
        for what in STRANGE:
            assert shown(what) in found.out, what


@pytest.mark.parametrize("what", ["markup", "escape", "not UTF-8"])
def test_a_strange_name_in_a_line_of_its_own(ran: dict[str, Ran], what: str) -> None:
    for command, code in (("decode", OK), ("diff", BROKEN)):
        found = ran[f"{command} {what}"]
        assert found.code == code
        assert shown(what) in found.out
        assert all(line.isprintable() for line in found.out.splitlines())
    assert ran["explain option"].code == OK


@pytest.mark.parametrize("what", WRONG_WORDS)
def test_wrong_words_get_one_line_that_says_what_to_do(ran: dict[str, Ran], what: str) -> None:
    if what == "output unwritable" and not Path("/proc").is_dir():
        pytest.skip("needs a folder in which nobody may make files; only Linux has one for root")
    one_line(ran[what], WRONG_WORDS[what][1])


def test_there_is_never_a_traceback(ran: dict[str, Ran]) -> None:
    for what, found in ran.items():
        assert "Traceback" not in found.out + found.err, what
        assert found.code in (OK, BROKEN, USAGE), what


def test_one_bad_file_among_good_ones_does_not_keep_them_from_being_judged(bench: Path) -> None:
    found = run("validate", "good.syx", "picture.syx", "cut.syx", folder=bench)
    assert found.code == USAGE
    assert found.err == (
        "dryload: picture.syx is a JPEG picture, not a dump. "
        "The names of dump files usually end in .syx or .mid.\n"
    )
    assert "good.syx: 1 dump, right." in found.out
    assert "cut.syx: 1 dump, broken." in found.out


# The other end of the output


@pytest.mark.parametrize(
    "command",
    [
        ["validate", *["many.syx"] * 400],
        ["validate", "--json", *["many.syx"] * 400],
    ],
    ids=["validate", "validate --json"],
)
def test_a_reader_that_goes_ends_the_command_in_silence(bench: Path, command: list[str]) -> None:
    # far more than a pipe holds, and the reader takes one line of it
    many = bench / "many.syx"
    many.write_bytes(oracle.dump(bits=16, words=words(9000), sample_number=1, period_ns=22_676))
    process = start(command, bench)
    assert process.stdout is not None
    assert process.stderr is not None
    with process:
        assert process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(PATIENCE_S) == CLOSED_PIPE


@pytest.mark.parametrize("command", ["validate", "replay"])
def test_a_full_disk_gets_one_line(bench: Path, command: str) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("needs /dev/full, which always says that the disk is full")
    with open("/dev/full", "wb") as full:
        found = subprocess.run(
            bounded([command, "good.syx", "--json"]),
            cwd=bench,
            env=environment(),
            stdout=full,
            stderr=subprocess.PIPE,
            check=False,
            timeout=PATIENCE_S,
        )
    assert found.returncode == USAGE
    assert found.stderr == (b"dryload: the output cannot be written: No space left on device.\n")


def test_closed_outputs_are_no_reason_to_fall_over(bench: Path) -> None:
    found = subprocess.run(
        ["/bin/sh", "-c", '"$@" >&- 2>&-', "sh", *bounded(["replay", "good.syx"])],
        cwd=bench,
        env=environment(),
        capture_output=True,
        check=False,
        timeout=PATIENCE_S,
    )
    assert (found.returncode, found.stdout, found.stderr) == (OK, b"", b"")


# Ctrl-C


@pytest.fixture
def hours(bench: Path) -> Iterator[Path]:
    """Twelve of the longest standard dumps there can be: more than seven hours on the line."""
    longest = bytearray(OVERLONG)
    block = b"".join(oracle.packets(bits=16, words=words(5120)))  # numbers 00 to 7F (M1 p. 39)
    blocks, rest = divmod(oracle.packet_count(LONGEST, 16), 128)
    longest += block * blocks + block[: 127 * rest]
    path = bench / "hours.syx"
    with path.open("wb") as file:
        for _ in range(12):
            file.write(longest)
    yield path
    path.unlink()


def test_ctrl_c_in_the_middle_of_a_long_rehearsal(bench: Path, hours: Path) -> None:
    process = start(["replay", hours.name, "--anyway"], bench)
    with process:
        # It would take far longer; where it is by then, in a dump or between two, does not matter
        # to what follows.
        with pytest.raises(subprocess.TimeoutExpired):
            process.communicate(timeout=2)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == INTERRUPTED
    assert err == b"dryload: stopped by you.\n"
    assert out == b"" or b"stopped" in out
