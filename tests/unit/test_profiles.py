"""Profiles: the shipped ones, every key of the schema, and every way to write one that can't be."""

import subprocess
import sys
import tracemalloc
from itertools import combinations
from pathlib import Path

import pytest
from msgspec import Struct
from msgspec.structs import fields, replace

import dryload.emulator
from dryload.emulator.dump.switches import ReceiverSwitches, SenderSwitches
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.profile import (
    DEFAULT_PROFILE,
    ProfileError,
    load_profile,
    profile_names,
)
from dryload.emulator.unit.schema import Key, keys_of, parse_profile, sections
from dryload.emulator.unit.traits import UnitTraits
from tests.unit.rack import profile_of

FILES = sorted((Path(dryload.emulator.__file__).parent / "profiles").glob("*.toml"))
KEYS = [
    (section, written, key)
    for section, kind in sections().items()
    for written, key in keys_of(kind).items()
]
KEY_IDS = [f"{section}.{written}" for section, written, _ in KEYS]


def problem_of(text: str) -> str:
    with pytest.raises(ProfileError) as caught:
        parse_profile(text, "my.toml")
    return str(caught.value)


def with_unit(section: str, line: str) -> str:
    """A profile with one line in one section and a name."""
    if section == "unit":
        return f"[unit]\n{line}\n" + ("" if line.startswith("name") else 'name = "bench"\n')
    return f'[unit]\nname = "bench"\n[{section}]\n{line}\n'


# the shipped ones


def test_the_names_are_the_files() -> None:
    assert profile_names() == tuple(sorted(path.stem for path in FILES))
    assert len(FILES) >= 8
    assert DEFAULT_PROFILE in profile_names()


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.stem))
def test_a_shipped_profile_says_who_it_is_and_what_for(path: Path) -> None:
    profile = load_profile(path.stem)
    assert profile == load_profile(path)
    assert profile.name == path.stem
    assert 20 <= len(profile.unit.description) <= 80


def test_no_two_profiles_differ_in_name_only() -> None:
    nameless = [replace(load_profile(name), unit=UnitTraits(name="x")) for name in profile_names()]
    assert all(one != other for one, other in combinations(nameless, 2))


def test_the_default_spells_out_every_key_with_its_default() -> None:
    import tomllib

    document = tomllib.loads((FILES[0].parent / f"{DEFAULT_PROFILE}.toml").read_text("utf-8"))
    written = [f"{section}.{key}" for section, table in document.items() for key in table]
    assert sorted(written) == sorted(KEY_IDS)
    shipped = load_profile()
    assert shipped == Profile(
        unit=UnitTraits(name=DEFAULT_PROFILE, description=shipped.unit.description)
    )


def test_the_default_is_roomy_and_answers_as_in_the_worked_timeline() -> None:
    profile = load_profile()
    assert profile.memory.bank_words * len(profile.memory.fitted) >= 2_000_000
    assert 16 in profile.words.accepts
    assert profile.slots.count == 64
    # 5 ms for a header and 2 ms for a packet: tests/vectors/timeline.py
    assert (profile.input.store_header_ns, profile.input.store_packet_ns) == (5_000_000, 2_000_000)


@pytest.mark.parametrize(
    ("name", "is_of_its_kind"),
    [
        (
            "prompt-box",
            lambda p: p.words.accepts == (12,) and p.input.store_header_ns > 100_000_000,
        ),
        ("thunder-sheet", lambda p: not p.habits.answers and not p.knows.requests),
        ("call-board", lambda p: p.habits.number_jump == "cancel" and p.sending.sends_eof),
        ("stage-door", lambda p: p.panel.confirm == "each dump"),
        ("old-curtain", lambda p: not (p.knows.loops or p.knows.extended or p.knows.names)),
        ("double-bill", lambda p: 2 in p.words.channels and max(p.words.accepts) == 28),
        ("narrow-wings", lambda p: p.input.buffer_bytes == 128),
        ("slow-pulley", lambda p: p.habits.wait_before_ack and not p.memory.contiguous),
        ("rattling-cart", lambda p: p.habits.echo and p.habits.clock_bpm),
        ("leaky-roof", lambda p: p.input.drop_every_byte and p.habits.filler == "keep"),
        ("property-chest", lambda p: p.habits.stray_data == "discard"),
    ],
)
def test_each_profile_is_of_its_own_kind(name: str, is_of_its_kind: object) -> None:
    assert callable(is_of_its_kind)
    assert is_of_its_kind(load_profile(name))
    assert not is_of_its_kind(load_profile())


def test_the_receivers_switches_are_keys_of_the_habits_and_the_senders_of_sending() -> None:
    habits = {key.field for key in keys_of(sections()["habits"]).values()}
    assert habits >= {field.name for field in fields(ReceiverSwitches)}
    sending = {key.field for key in keys_of(sections()["sending"]).values()}
    assert sending == {field.name for field in fields(SenderSwitches)}
    assert isinstance(load_profile().habits, ReceiverSwitches)


# reading


def test_milliseconds_in_the_file_are_nanoseconds_in_the_profile() -> None:
    profile = profile_of("[input]\nstore_packet_ms = 2.5\nstore_header_ms = 0\n")
    assert profile.input.store_packet_ns == 2_500_000
    assert profile.input.store_header_ns == 0
    assert profile_of("[habits]\nidle_limit_ms = 1_500").habits.idle_limit_ns == 1_500_000_000


def test_what_a_profile_leaves_out_is_as_in_the_default() -> None:
    assert replace(profile_of(), unit=load_profile().unit) == load_profile()


@pytest.mark.parametrize(("section", "written", "key"), KEYS, ids=KEY_IDS)
def test_an_illegal_value_is_answered_with_the_key_and_what_is_legal(
    section: str, written: str, key: Key
) -> None:
    line = f"{written} = 1979-05-27"  # a date is legal nowhere
    message = problem_of(with_unit(section, line))
    expected = f"my.toml: {section}.{written} must be {key.legal}, not 1979-05-27"
    assert expected in message.splitlines()


@pytest.mark.parametrize(("section", "written", "key"), KEYS, ids=KEY_IDS)
def test_a_slip_of_the_pen_is_answered_with_the_key_that_was_meant(
    section: str, written: str, key: Key
) -> None:
    slip = written[:2] + written[1:]
    message = problem_of(with_unit(section, f"{slip} = 1"))
    assert f"{section}.{slip} is not a key of a profile: did you mean {written}?" in message


@pytest.mark.parametrize(
    ("section", "line", "expected"),
    [
        ("habits", 'number_jump = "jump"', '"cancel", "ignore", "nak" or "store", not "jump"'),
        ("habits", 'number_jump = ""', "not an empty text"),
        ("habits", "echo = 1", "true or false, not 1"),
        ("habits", "nak_limit = -1", "a whole number from 0 up, not -1"),
        ("habits", "nak_limit = true", "not true"),
        ("habits", "nak_limit = 3.5", "not 3.5"),
        ("habits", "idle_limit_ms = nan", "milliseconds from 0 to 86,400,000, not nan"),
        ("habits", "idle_limit_ms = inf", "not inf"),
        ("input", "store_packet_ms = -0.1", "milliseconds from 0 to 600,000, not -0.1"),
        ("input", "store_packet_ms = 600_001", "not 600001"),
        ("unit", "device_id = 127", "a whole number from 0 to 126, not 127"),
        ("unit", 'name = ""', "unit.name must be a text in quotes, not an empty text"),
        ("memory", "bank_words = 0", "a whole number from 1 to 268,435,456, not 0"),
        ("memory", "bank_words = -5", "not -5"),
        ("memory", "fitted = {a = 1}", "not a section"),
        ("slots", "count = 0", "a whole number from 1 to 16,384, not 0"),
        ("words", "accepts = [40]", "in which each is a whole number from 8 to 28, not [40]"),
        ("words", "accepts = [7, 16]", "not [7, 16]"),
        ("words", "others_to = 29", "a whole number from 8 to 28, not 29"),
        ("words", "channels = [0]", "a whole number from 1 to 127, not [0]"),
        ("panel", "unconfirmed = []", '"cancel", "ignore" or "wait", not []'),
    ],
)
def test_values_out_of_range_are_answered_with_the_range(
    section: str, line: str, expected: str
) -> None:
    assert expected in problem_of(with_unit(section, line))


def test_a_key_that_is_like_no_other_is_answered_with_all_keys_of_its_section() -> None:
    message = problem_of(with_unit("panel", "xyzzy = 1"))
    assert message == (
        "my.toml: panel.xyzzy is not a key of a profile: "
        "the keys of [panel] are confirm and unconfirmed"
    )


def test_sections_are_checked_like_keys() -> None:
    assert "[memroy] is not a section of a profile: did you mean memory?" in problem_of("[memroy]")
    assert "the sections are unit, identity, knows" in problem_of("[xyzzy]")
    assert "memory must be a section, written as [memory]" in problem_of("memory = 3")


def test_a_profile_needs_a_name() -> None:
    assert problem_of("") == "my.toml: unit.name is missing: it must be a text in quotes"


def test_every_mistake_is_told_at_once_and_every_line_names_the_file() -> None:
    lines = problem_of("[unit]\ndevice_id = 200\n[memory]\nbank_words = 0\nplcaes = 2").splitlines()
    assert len(lines) == 4
    assert all(line.startswith("my.toml: ") for line in lines)


def test_broken_toml_is_answered_with_the_line() -> None:
    assert "my.toml: this is not TOML: " in problem_of('[unit]\nname = "bench')
    assert "line 2" in problem_of('[unit]\nname = "bench\n')


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = " + "[" * 2_000 + "]" * 2_000, "nested"),
        ("a = " + "{a=" * 2_000 + "1" + "}" * 2_000, "nested"),
        (".".join("a" * 20_000) + " = 1", "nested"),
        ("[" + " . ".join('"a"' for _ in range(10_000)) + "]", "nested"),
        ("a = " + "9" * 5_000, "number"),
        ("[slots]\ncount = " + "9" * 5_000, "number"),
        ("[slots]\ncount = 0x" + "f" * 5_000, "slots.count must be a whole number"),
        ("[slots]\ncount = [" + "9," * 5_000 + "]", "slots.count must be a whole number"),
        ("[slots]\ncount = 'gull" + "s" * 200_000 + "'", "slots.count must be a whole number"),
    ],
    ids=range(9),
)
def test_what_is_nested_or_long_beyond_sense_is_refused_in_one_short_line(
    text: str, said: str
) -> None:
    tracemalloc.start()
    problem = problem_of(text)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert said in problem
    assert max(map(len, problem.splitlines())) < 700
    assert most < 20_000_000


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "-nan", "1e300"])
def test_a_time_that_is_no_number_is_answered_with_what_is_legal(value: str) -> None:
    for section, written, key in KEYS:
        if key.is_time:
            said = problem_of(with_unit(section, f"{written} = {value}"))
            assert f"{section}.{written} must be {key.legal}" in said


def test_a_field_that_toml_has_no_words_for_is_our_own_mistake() -> None:
    class Odd(Struct, dict=True):
        key: bytes = b""

    with pytest.raises(TypeError, match="no words for"):
        keys_of(Odd)


# units that can't be


@pytest.mark.parametrize(
    ("section", "lines", "expected"),
    [
        ("memory", "fitted = []", "memory.fitted is empty"),
        ("memory", "fitted = [2]", "memory.fitted has bank 2 and no bank 1"),
        ("memory", "places = 1\nfitted = [1, 2]", "memory.fitted has bank 2, but memory.places"),
        ("memory", "fitted = [1, 1]", "memory.fitted has 1 twice"),
        ("memory", "bank_words = 10\nblock_words = 3", "memory.block_words must divide"),
        ("memory", "bank_words = 10\nblock_words = 20", "memory.block_words must divide"),
        (
            "slots",
            "count = 3\nprotected = [4]",
            "slots.protected has slot 4; slots.count says 1 to 3",
        ),
        ("slots", "protected = [2, 3, 2]", "slots.protected has 2 twice"),
        ("slots", "first_number = 16_383\ncount = 2", "make 16384 the last sample number"),
        ("words", "accepts = []", "words.accepts is empty"),
        ("words", "accepts = [16, 16]", "words.accepts has 16 twice"),
        ("words", 'others = "cut"\nothers_to = 20', 'when words.others is "cut", not 20'),
        ("words", 'accepts = []\nothers = "cut"', "words.accepts is empty"),
        ("words", "channels = []", "words.channels is empty"),
        ("words", "channels = [1, 1]", "words.channels has 1 twice"),
        (
            "knows",
            "extended = false\n[words]\nchannels = [1, 2]",
            "words.channels has 2, but knows",
        ),
        ("input", "buffer_bytes = 33", "at least 34, the length of an extended dump header"),
        ("input", "buffer_bytes = 20\n[knows]\nextended = false", "at least 21, the length of a"),
        ("input", "drop_every_byte = 1", "input.drop_every_byte is 1, which loses everything"),
        ("habits", "answers = false\nwait_before_ack = true", "a unit that never answers sends no"),
        (
            "habits",
            'answers = false\n[panel]\nconfirm = "each dump"',
            'panel.unconfirmed must be "ignore", not "wait"',
        ),
        ("identity", "maker = []", "identity.maker must be one number"),
        ("identity", "maker = [0]", "not [0]"),
        ("identity", "maker = [1, 2, 3]", "not [1, 2, 3]"),
        ("identity", "revision = [1]", "identity.revision must be four numbers, not 1"),
    ],
)
def test_an_impossible_unit_is_refused(section: str, lines: str, expected: str) -> None:
    message = problem_of(with_unit(section, lines))
    assert expected in message
    assert len(message.splitlines()) == 1


@pytest.mark.parametrize(
    ("section", "lines"),
    [
        ("memory", "places = 3\nfitted = [1, 3]"),
        ("slots", "first_number = 16_382\ncount = 2\nprotected = [1, 2]"),
        ("words", "accepts = [12]\nothers_to = 20"),
        ("input", "buffer_bytes = 34"),
        ("input", "buffer_bytes = 21\n[knows]\nextended = false"),
        ("habits", 'answers = false\n[panel]\nconfirm = "each dump"\nunconfirmed = "ignore"'),
        ("identity", "maker = [0, 1, 2]"),
    ],
)
def test_an_odd_but_possible_unit_is_taken(section: str, lines: str) -> None:
    assert parse_profile(with_unit(section, lines), "my.toml").name == "bench"


def test_an_impossible_unit_is_refused_in_code_too() -> None:
    profile = profile_of()
    with pytest.raises(ProfileError, match=r"memory\.fitted is empty"):
        replace(profile, memory=replace(profile.memory, fitted=()))


# finding the file


def test_a_profile_of_ones_own_is_loaded_from_its_path(tmp_path: Path) -> None:
    path = tmp_path / "attic.toml"
    path.write_text('[unit]\nname = "attic"\n[slots]\ncount = 5\n', "utf-8")
    assert load_profile(path).slots.count == 5
    assert load_profile(str(path)) == load_profile(path)


def test_a_wrong_name_is_answered_with_the_names_there_are() -> None:
    with pytest.raises(ProfileError, match="did you mean lantern-desk") as caught:
        load_profile("lanten-desk")
    assert all(name in str(caught.value) for name in profile_names())
    with pytest.raises(ProfileError, match="no profile 'xyzzy': the profiles are"):
        load_profile("xyzzy")


def test_a_file_that_cant_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"attic\.toml: the profile can't be read: No such file"):
        load_profile(tmp_path / "attic.toml")
    blob = tmp_path / "blob.toml"
    blob.write_bytes(b"\xf0\x7e\xff")
    with pytest.raises(ProfileError, match=r"blob\.toml: a profile is text in UTF-8"):
        load_profile(blob)
    other = tmp_path / "plain"
    other.write_text("[unit]\nname = 3", "utf-8")
    with pytest.raises(ProfileError, match=r"plain: unit\.name must be a text"):
        load_profile(other)


def test_profiles_are_listed_without_numpy() -> None:
    """The command line lists profiles; a second of start-up would be a poor welcome."""
    code = (
        "import sys; from dryload.emulator.unit.profile import load_profile, profile_names;"
        "[load_profile(name) for name in profile_names()]; sys.exit('numpy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
