"""The good files that are spoilt, each with the commands that read its kind."""

from __future__ import annotations

import io
import wave
from collections.abc import Callable, Iterator, Sequence
from hashlib import sha256
from pathlib import Path
from random import Random
from typing import Final

import soundfile
from msgspec import Struct

from dryload.emulator.dump.capture import Direction
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.image import ImageError, image_of, restore
from dryload.emulator.unit.profile import load_profile
from dryload.harness.files import capture_file, capture_lines, capture_midi
from tests import oracle
from tests.files import chunks
from tests.mutated.feed import command

ROOT: Final = Path(__file__).resolve().parent.parent.parent
DEMO: Final = ROOT / "captures_demo"
_SMALL: Final = 20_000
GOOD_DUMP: Final = "good.syx"
GOOD_CAPTURE: Final = "good.jsonl"
_SOUND: Final = "out.wav"
_DUMP: Final = "out.syx"
Work = Callable[[str, bytes, Random], Callable[[], int]]


class Kind(Struct, frozen=True):
    """Files of a kind: how a name of one ends, their content, and what reads them."""

    ending: str
    files: Sequence[bytes]
    works: Sequence[Work]


def beside() -> list[tuple[str, bytes]]:
    """Return the good files that commands are given beside the spoilt one."""
    return [
        (GOOD_DUMP, (DEMO / "good" / "thunder-crack.syx").read_bytes()),
        (GOOD_CAPTURE, (DEMO / "transfers" / "crackling-plug.jsonl").read_bytes()),
    ]


def kinds() -> list[Kind]:
    """Return every kind of file that a command reads."""
    dumps = _small("*/*.s[yd][xs]")
    captures = _small("transfers/*.jsonl")
    return [
        Kind(".syx", dumps, _DUMP_WORKS),
        Kind(".mid", [*_small("good/*.mid"), *_midi_captures()], _DUMP_WORKS),
        Kind(".jsonl", captures, _CAPTURE_WORKS),
        Kind(".txt", list(_texts(dumps, captures)), _CAPTURE_WORKS),
        Kind(".toml", list(_profiles()), _PROFILE_WORKS),
        Kind(".toml", [_list()], _BACKUP_WORKS),
        Kind(".toml", [_plan()], _PLAN_WORKS),
        Kind(".wav", list(_sounds()), _AUDIO_WORKS),
        Kind(".image", [image_of(_unit_with_sample())], (_restore,)),
    ]


def _small(pattern: str) -> list[bytes]:
    found = (path.read_bytes() for path in sorted(DEMO.glob(pattern)))
    return [data for data in found if len(data) <= _SMALL]


def _midi_captures() -> Iterator[bytes]:
    for path in sorted((DEMO / "transfers").glob("*.jsonl")):
        if path.stat().st_size <= _SMALL:
            yield capture_midi.build(capture_file.load(str(path)).recorded)


def _texts(dumps: Sequence[bytes], captures: Sequence[bytes]) -> Iterator[bytes]:
    for data in dumps[::4]:
        rows = [data[at : at + 16] for at in range(0, min(len(data), 3_000), 16)]
        yield "\n".join(row.hex(" ") for row in rows).encode()
        yield "\n".join(f"{16 * at:08x}: {row.hex(' ')}" for at, row in enumerate(rows)).encode()
        yield ", ".join(f"0x{byte:02X}" for byte in data[:3_000]).encode()
    for content in captures:
        arrows = {Direction.TO_UNIT: ">", Direction.FROM_UNIT: "<"}
        passages = capture_lines.read(content, "it").capture.passages
        for form in ("{:.3f} s ", "{:.0f} ", "00:00:{:06.3f} "):
            yield "\n".join(
                f"{form.format(each.end_ns / 10**9)}{arrows[each.direction]} {each.data.hex(' ')}"
                for each in passages
            ).encode()


def _profiles() -> Iterator[bytes]:
    for path in sorted((ROOT / "emulator" / "profiles").glob("*.toml")):
        yield path.read_bytes()


def _list() -> bytes:
    """The list of a backup of one sample."""
    held = (DEMO / "good" / "thunder-crack.syx").read_bytes()
    return f"""schema = "dryload/contents/1"
target = "tcp:127.0.0.1:4000"
device_id = 0
began = 2026-11-29 20:00:00+00:00
requested = "0 to 31"
complete = false
why_not = ["sample 2 did not arrive whole"]

[[sample]]
number = 1
name = "Thunder"
file = "{GOOD_DUMP}"
words = 1170
bits = 12
channels = 1
loop = "forward, 10 to 90"
not_told = ["loops"]
sha256 = "{sha256(held).hexdigest()}"
when = 2026-11-29 20:00:05+00:00
""".encode()


def _plan() -> bytes:
    """A plan of one dump, twice, of which one is changed in every way."""
    return f"""schema = "dryload/evening/1"
unit = "prompt-box"
banks = 2
holds = "{GOOD_DUMP}"

[[sample]]
file = "{GOOD_DUMP}"
dump = 1
number = 2
name = "Thunder"
bits = 12
rate = 8000.0
channel = "mix"
start = 10
length = 1000
loop = "10-90:01"
root = 60
low = 48
high = 72

[[sample]]
file = "{GOOD_DUMP}"
number = 3
""".encode()


def _sounds() -> Iterator[bytes]:
    kept = io.BytesIO()
    with wave.open(kept, "wb") as sound:
        sound.setnchannels(2)
        sound.setsampwidth(2)
        sound.setframerate(22_050)
        sound.writeframes(bytes(range(256)) * 4)
    yield kept.getvalue()
    wave_form = [[(at % 64 - 32) / 40] for at in range(400)]
    for form, subtype in (("WAV", "FLOAT"), ("AIFF", "PCM_24"), ("FLAC", "PCM_16"), ("OGG", None)):
        kept = io.BytesIO()
        soundfile.write(kept, wave_form, 22_050, format=form, subtype=subtype)
        yield kept.getvalue()
        if form == "WAV":
            loops = [chunks.SmplLoop(10, 99), chunks.SmplLoop(0, 5, 1)]
            yield chunks.with_chunks(kept.getvalue(), chunks.smpl(loops))
        if form == "AIFF":
            loop = chunks.markers((1, 10), (2, 100)), chunks.inst(57, -9, 1, 1, 2)
            yield chunks.with_chunks(kept.getvalue(), *loop)


def _unit_with_sample() -> RackUnit:
    unit = RackUnit(load_profile())
    dump = oracle.dump(bits=16, words=[5, -6, 700], sample_number=1, period_ns=22_676)
    for at, (_, message) in enumerate(oracle.split(dump)):
        unit.receive_bytes(message, at * 1_000_000_000)
    return unit


def _reads(*words: str) -> Work:
    """Return the work of a command; "@" stands for the spoilt file."""
    return lambda name, data, rng: command(*(name if word == "@" else word for word in words))


def _lists(*words: str) -> Work:
    """Return the work of a command on the folder `backup`, which the spoilt file is the list of."""

    def work(name: str, data: bytes, rng: Random) -> Callable[[], int]:
        folder = Path("backup")
        folder.mkdir(exist_ok=True)
        (folder / GOOD_DUMP).write_bytes(Path(GOOD_DUMP).read_bytes())
        (folder / "contents.toml").write_bytes(data)
        return command(*words)

    return work


def _explains(name: str, data: bytes, rng: Random) -> Callable[[], int]:
    more = rng.choice((
        (), ("--packet", "0"), ("--packet", "3", "--bytes"), ("--from", "40"), ("--dump", "1"),
    ))  # fmt: skip
    return command("explain", name, *more)


def _restore(name: str, data: bytes, rng: Random) -> Callable[[], int]:
    """The image of a unit, loaded as `serve` does; half of them with a checksum that is right."""
    image = data if rng.random() < 0.5 else data[:-32] + sha256(data[:-32]).digest()

    def work() -> int:
        try:
            restore(RackUnit(load_profile()), image)
        except ImageError:
            return 2
        return 0

    return work


_ANY: Final[Sequence[Work]] = (
    _reads("validate", "@"),
    _reads("validate", "@", "--json"),
    _reads("replay", "@"),
    _reads("replay", "@", "--json"),
    _reads("diff", "@", GOOD_DUMP),
    _reads("diff", GOOD_CAPTURE, "@"),
    _reads("diff", "@", "@"),
    _explains,
    _reads("diagnose", "@"),
    _reads("diagnose", "@", "--from-unit"),
)
_DUMP_WORKS: Final[Sequence[Work]] = (
    *_ANY,
    _reads("diagnose", GOOD_CAPTURE, "--source", "@"),
    _reads("diagnose", GOOD_CAPTURE, "--source", "@", "--json"),
    _reads("diagnose", "@", "--source", GOOD_DUMP),
    _reads("decode", "@", "-o", _SOUND, "--overwrite"),
    _reads("encode", "@", "-o", _DUMP, "--overwrite"),
    _reads("plan", "@", "--for", "prompt-box", "-o", "out.toml", "--overwrite"),
)
_CAPTURE_WORKS: Final[Sequence[Work]] = (
    *_ANY,
    _reads("diagnose", "@", "--source", GOOD_DUMP),
    _reads("diagnose", "@", "--source", GOOD_DUMP, "--json"),
    _reads("diagnose", GOOD_CAPTURE, "--source", "@"),
    _reads("decode", "@", "-o", _SOUND, "--overwrite"),
    _reads("profiles", "@"),
)
_PROFILE_WORKS: Final[Sequence[Work]] = (
    _reads("profiles", "@"),
    _reads("profiles", "@", "--json"),
    lambda name, data, rng: command("replay", GOOD_DUMP, "--to", f"unit:{name}"),
    _reads("validate", "@"),
)
_BACKUP_WORKS: Final[Sequence[Work]] = (
    _lists("replay", "backup"),
    _lists("replay", "backup", "--anyway", "--json"),
    _lists("diff", "backup", "backup"),
    _lists("diff", "backup", "backup", "--json"),
)
_PLAN_WORKS: Final[Sequence[Work]] = (
    _reads("replay", "@"),
    _reads("replay", "@", "--json"),
    _reads("plan", "@", "--json"),
    _reads("plan", "@", "-o", "out.toml", "--worksheet", "out.html", "--overwrite"),
    _reads("listen", "@", "-o", _SOUND, "--seconds", "0.1", "--overwrite"),
)
_AUDIO_WORKS: Final[Sequence[Work]] = (
    _reads("encode", "@", "-o", _DUMP, "--overwrite"),
    _reads("encode", "@", "-o", _DUMP, "--overwrite", "--rate", "8000", "--channel", "mix"),
    _reads("encode", "@", "-o", _DUMP, "--overwrite", "--bits", "28", "--json"),
    _reads("encode", "@", "-o", _DUMP, "--overwrite", "--for", "lantern-desk", "--trim", "-40"),
    _reads("encode", "@", "-o", _DUMP, "--overwrite", "--peak", "-1", "--fade-out", "1"),
    _reads("diff", GOOD_DUMP, "@"),
    _reads("plan", "@", GOOD_DUMP, "--for", "double-bill", "--keys", "one"),
    _reads("validate", "@"),
)
