"""Back up, initialise, put back: on every emulated unit, and on gear that knows the standard alone.

What the unit holds is looked at in its memory, and in the files with the plain codec.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

import pytest

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.profile import load_profile, profile_names
from tests import oracle
from tests.cli.backing_up import TARGET, Desk, listed, press_ctrl_c, stored
from tests.foreign import wire
from tests.foreign.endpoint import GearEndpoint
from tests.foreign.habits import Habits
from tests.foreign.unit import Gear, Held
from tests.jobs.bench import words

OK, BROKEN, USAGE, RIG, INTERRUPTED = 0, 1, 2, 3, 130
PERIOD_NS = 22_676
FORWARD, OFF = 0x00, 0x7F  # M1 p. 37


@pytest.fixture
def desk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Desk:
    return Desk(tmp_path, monkeypatch, capsys)


# Every emulated unit.


class Attended(RackUnit):
    """A unit at which somebody confirms at once whatever wants it."""

    def handle_deadline(self, now_ns: int) -> Any:
        self.confirm(now_ns)
        return super().handle_deadline(now_ns)

    def receive_bytes(self, data: bytes, now_ns: int) -> Any:
        self.confirm(now_ns)
        return super().receive_bytes(data, now_ns)


def memory_of(unit: RackUnit) -> dict[int, Any]:
    """All that a unit holds, by sample number."""
    return {
        slot.sample_number: (
            [int(word) for word in slot.sample.words],
            slot.sample.bits,
            slot.sample.rate,
            slot.sample.channels,
            slot.sample.sustain,
            slot.sample.loops,
            slot.sample.name,
        )
        for slot in unit.slots.used()
        if slot.sample is not None
    }


NAMED = {
    # It takes the end of a loop as the first word behind it, and tells the last word played.
    "old-curtain": "the loop is forward, 7 to 38 and not forward, 7 to 39",
}
"""What comes back otherwise, by the unit."""


@pytest.mark.parametrize("name", profile_names())
def test_back_up_initialise_put_back(desk: Desk, name: str) -> None:
    profile = load_profile(name)
    unit = desk.endpoint = Attended(profile)
    device_id, first = profile.unit.device_id, profile.slots.first_number
    free = [
        first + slot - 1
        for slot in range(1, profile.slots.count + 1)
        if slot not in profile.slots.protected
    ]
    numbers = free[0], free[min(20, len(free) - 1)]
    bits = profile.words.accepts[-1], profile.words.accepts[0]
    os.mkdir("first")
    where: dict[str, Any] = {"device_id": device_id, "sample_number": numbers[0]}
    name_and_loop = oracle.sample_name(**where, name=b"Bell") + oracle.loop_points(
        **where, loop_number=2, loop_type=FORWARD, loop_start=3, loop_end=50
    )
    first_one = oracle.dump(**where, bits=bits[0], words=words(95, bits[0]), period_ns=PERIOD_NS)
    Path("first", "1.syx").write_bytes(first_one + name_and_loop)
    where["sample_number"] = numbers[1]
    if 2 in profile.words.channels:
        where |= {"extended": True, "channels": 2, "rate_integer": 44_100, "rate_fraction": 5}
    else:
        where |= {"period_ns": PERIOD_NS}
    where |= {"loop_type": FORWARD, "loop_start": 7, "loop_end": 40}
    second_one = oracle.dump(**where, bits=bits[1], words=words(96, bits[1]))
    Path("first", "2.syx").write_bytes(second_one)
    filled = desk.put_back("first", "--no-read-back")
    held = memory_of(unit)
    assert list(held) == list(numbers), filled.out
    said = desk.back_up("desk", "--up-to", str(free[-1]), "--device-id", str(device_id))
    if not profile.knows.requests:
        assert (said.code, stored()) == (BROKEN, [])
        return
    assert said.code == OK, said.out
    assert "This backup is complete." in said.out
    document = listed()
    assert [each["number"] for each in document["sample"]] == list(numbers)
    for each in document["sample"]:
        data = Path("desk", each["file"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == each["sha256"]
    unit.panel.initialise(desk.clock.now_ns())
    assert memory_of(unit) == {}
    said = desk.put_back()
    if name in NAMED:
        assert said.code == BROKEN
        assert NAMED[name] in said.out
        assert [each[0] for each in memory_of(unit).values()] == [each[0] for each in held.values()]
        return
    assert (said.code, memory_of(unit)) == (OK, held), said.out
    assert desk.run("diff", "desk", TARGET).code == OK


# Gear that knows nothing but M1 pp. 35-39: neither names nor loops beside the header's.

THUNDER = Held(wire.Head(0, 16, PERIOD_NS, 95), wire.ramp(1021, 95, 16))
GULLS = Held(wire.Head(20, 12, 30_000, 200, 10, 199, FORWARD), wire.ramp(77, 200, 12))


@pytest.fixture
def gear(desk: Desk) -> Gear:
    """Gear with samples 0 and 20."""
    gear = Gear()
    gear.held.update({0: THUNDER, 20: GULLS})
    desk.endpoint = GearEndpoint(gear)
    return gear


def is_packet_of_gulls(message: bytes) -> bool:
    """Whether this is packet 1 of sample 20; the other sample has words of 3 bytes."""
    return message[3] == wire.PACKET and message == GULLS_PACKETS[1]


GULLS_PACKETS = wire.packets(GULLS.words, 12, 0)


def test_samples_0_and_20_of_foreign_gear_and_all_that_is_said_of_them(
    desk: Desk, gear: Gear
) -> None:
    held = dict(gear.held)
    said = desk.back_up("desk", "--up-to", "31")
    assert said.code == OK
    assert stored() == ["contents.toml", "sample-0000.syx", "sample-0020.syx"]
    for name, (head, content) in (("0000", THUNDER), ("0020", GULLS)):
        parts = [wire.header(head, 0), *wire.packets(content, head.bits, 0)]
        assert Path(f"desk/sample-{name}.syx").read_bytes() == b"".join(parts)
    document = listed()
    assert (document["schema"], document["complete"]) == ("dryload/contents/1", True)
    assert (document["target"], document["device_id"]) == (TARGET, 0)
    assert document["requested"] == "0 to 31"
    thunder, gulls = document["sample"]
    assert thunder.items() >= {"number": 0, "words": 95, "bits": 16, "channels": 1}.items()
    assert thunder["loop"] == "no loop"
    assert gulls.items() >= {"number": 20, "words": 200, "bits": 12, "period_ns": 30_000}.items()
    assert gulls["loop"] == "forward, 10 to 199"
    assert gulls["rate_hz"] == pytest.approx(1e9 / 30_000)
    unknown = "\n".join(document["cannot_tell"])
    assert "it did not answer holds something: 1 to 19, 21 to 31" in unknown
    for word in ("slot", "key ranges", "names"):
        assert word in unknown
    gear.held.clear()
    said = desk.put_back()
    assert (said.code, gear.held) == (OK, held)
    assert "contents.toml" not in said.err  # it is no file among the dumps
    assert "not in its list" not in said.err


def test_all_without_an_end_is_never_complete_where_silence_may_be_anything(
    desk: Desk, gear: Gear
) -> None:
    said = desk.back_up()
    assert said.code == BROKEN
    document = listed()
    assert [each["number"] for each in document["sample"]] == [0, 20]
    assert (document["complete"], document["why_not"]) == (
        False,
        ["not requested: numbers above 127"],
    )
    gear.held.clear()
    said = desk.put_back()
    assert said.code == OK
    assert "this backup is not complete: not requested: numbers above 127." in said.err
    assert gear.held == {0: THUNDER, 20: GULLS}


def test_a_packet_that_is_lost_again_and_again_makes_it_incomplete(desk: Desk, gear: Gear) -> None:
    desk.passes = lambda message: not is_packet_of_gulls(message)
    said = desk.back_up("desk", "--up-to", "31")
    assert said.code == BROKEN
    assert "This backup is not complete: sample 20 did not arrive whole" in said.out
    document = listed()
    assert document["complete"] is False
    assert document["why_not"][0].startswith("sample 20 did not arrive whole")
    assert stored() == ["contents.toml", "sample-0000.syx"]


def test_a_packet_that_is_lost_once_is_asked_for_again(desk: Desk, gear: Gear) -> None:
    lost: list[bytes] = []

    def passes(message: bytes) -> bool:
        is_lost = is_packet_of_gulls(message) and not lost
        lost.extend([message] * is_lost)
        return not is_lost

    desk.passes = passes
    assert desk.back_up("desk", "--up-to", "31").code == OK
    assert len(lost) == 1
    data = Path("desk/sample-0020.syx").read_bytes()
    assert data == wire.header(GULLS.head, 0) + b"".join(GULLS_PACKETS)
    assert listed()["complete"] is True


# What is stored stays.


def test_a_folder_with_a_list_is_refused_before_anything_is_asked(desk: Desk) -> None:
    os.mkdir("desk")
    Path("desk/contents.toml").write_text("mine", encoding="utf-8")
    said = desk.back_up()  # there is nobody to ask
    assert (said.code, said.out) == (USAGE, "")
    assert "desk/contents.toml exists already: this folder holds a backup." in said.err
    assert Path("desk/contents.toml").read_text(encoding="utf-8") == "mine"
    said = desk.back_up("desk", "--overwrite")
    assert said.code == USAGE
    assert "desk/contents.toml: this is not TOML" in said.err


def stop_at(desk: Desk, number: int, act: Any) -> None:
    """Do something when the header of a sample has come."""

    def passes(message: bytes) -> bool:
        if message[3] == wire.HEADER and wire.number(message[4:6]) == number:
            act()
        return True

    desk.passes = passes


@pytest.mark.parametrize(
    ("how", "code", "why"),
    [("Ctrl-C", INTERRUPTED, "you stopped it"), ("the port", RIG, "The unit has hung up")],
)
def test_what_was_stored_before_the_end_is_listed(
    desk: Desk, gear: Gear, how: str, code: int, why: str
) -> None:
    stops = {
        "Ctrl-C": press_ctrl_c,
        "the port": desk.hang_up,
    }
    stop_at(desk, 20, stops[how])
    assert desk.back_up("desk", "--up-to", "31").code == code
    document = listed()
    assert document["complete"] is False
    assert why in "; ".join(document["why_not"])
    assert "not requested: numbers 21 to 31" in document["why_not"]
    assert [each["number"] for each in document["sample"]] == [0]
    assert stored() == ["contents.toml", "sample-0000.syx"]
    gear.held.clear()
    desk.passes = lambda message: True
    said = desk.put_back()
    assert (said.code, gear.held) == (OK, {0: THUNDER})
    assert "this backup is not complete" in said.err


def test_the_list_is_true_after_each_sample(desk: Desk, gear: Gear) -> None:
    seen: list[dict[str, Any]] = []
    stop_at(desk, 20, lambda: seen.append(listed()))
    assert desk.back_up("desk", "--up-to", "31").code == OK
    document = seen[0]  # as a power cut would have left it
    assert (document["complete"], document["requested"]) == (False, "0 to 0")
    assert document["why_not"] == ["the reading did not get to its end"]
    assert [each["number"] for each in document["sample"]] == [0]


def test_replacing_a_backup_loses_nothing_that_did_not_come_again(desk: Desk, gear: Gear) -> None:
    assert desk.back_up("desk", "--up-to", "31").code == OK
    before = listed()["sample"]
    louder = gear.held[0] = THUNDER._replace(words=wire.ramp(3, 95, 16))
    stop_at(desk, 20, desk.hang_up)
    assert desk.back_up("desk", "--up-to", "31", "--overwrite").code == RIG
    after = listed()["sample"]
    assert [each["number"] for each in after] == [0, 20]
    assert after[0]["sha256"] != before[0]["sha256"]
    assert after[1] == before[1]
    desk.passes = lambda message: True
    gear.held.clear()
    assert desk.put_back().code == OK
    assert gear.held == {0: louder, 20: GULLS}
    del gear.held[0]  # what the unit has no longer goes from the list, its file stays
    assert desk.back_up("desk", "--up-to", "31", "--overwrite").code == OK
    assert [each["number"] for each in listed()["sample"]] == [20]
    assert "sample-0000.syx" in stored()
    assert "1 other file is not in its list and not sent" in desk.put_back().err
    assert 0 not in gear.held


def test_a_unit_that_gives_nothing_leaves_no_list(desk: Desk) -> None:
    desk.endpoint = GearEndpoint(Gear())
    assert desk.back_up("desk", "--up-to", "3").code == BROKEN
    assert stored() == []


# Putting back.


@pytest.fixture
def backup(desk: Desk, gear: Gear) -> Path:
    """A backup of that gear, which holds nothing any more."""
    assert desk.back_up("desk", "--up-to", "31").code == OK
    gear.held.clear()
    return Path("desk/contents.toml")


def test_it_goes_by_the_order_and_the_numbers_of_the_list(
    desk: Desk, gear: Gear, backup: Path
) -> None:
    head, thunder, gulls = backup.read_text(encoding="utf-8").split("[[sample]]")
    thunder = thunder.replace("number = 0", "number = 5")
    backup.write_text("[[sample]]".join([head, gulls, thunder]), encoding="utf-8")
    said = desk.put_back("desk", "--json")
    assert said.code == OK
    assert [each["sample_number"] for each in said.document["transfers"]] == [20, 5]
    moved = THUNDER._replace(head=THUNDER.head._replace(sample=5))
    assert gear.held == {5: moved, 20: GULLS}
    assert desk.run("diff", "desk", TARGET).code == OK


def test_a_file_that_is_missing_or_changed_is_told_and_not_sent(
    desk: Desk, gear: Gear, backup: Path
) -> None:
    file = Path("desk/sample-0020.syx")
    louder = wire.packets(wire.ramp(5, 200, 12), 12, 0)  # every checksum is right
    file.write_bytes(wire.header(GULLS.head, 0) + b"".join(louder))
    said = desk.put_back()
    assert (said.code, gear.held) == (BROKEN, {0: THUNDER})
    assert "not the one that the backup lists (another SHA-256)" in said.err
    said = desk.put_back("desk", "--anyway")
    assert (said.code, list(gear.held)) == (OK, [0, 20])
    assert "not the file that the backup lists (another SHA-256)" in said.err
    gear.held.clear()
    file.unlink()
    said = desk.put_back("desk", "--anyway")
    assert (said.code, gear.held) == (BROKEN, {0: THUNDER})
    assert "desk/sample-0020.syx: there is no such file. It is sample 20 of the backup." in said.err
    Path("desk/sample-0000.syx").unlink()
    said = desk.put_back()
    assert (said.code, said.out) == (USAGE, "")


def test_what_comes_back_otherwise_is_named(desk: Desk, backup: Path) -> None:
    """Another unit keeps 8 bits of each word."""
    desk.endpoint = GearEndpoint(Gear(Habits(bits=8)))
    said = desk.put_back("desk", "--json")
    assert said.code == BROKEN
    outcomes = [(each["outcome"], each["reason"]) for each in said.document["transfers"]]
    assert [outcome for outcome, _ in outcomes] == ["loaded with changes"] * 2
    assert all("at 8 bits" in reason for _, reason in outcomes)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ('schema = "dryload/contents/1"', "", "this key is missing: schema"),
        ("dryload/contents/1", "contents/1", "schema: this must be"),
        ("complete = true", "complete = 1", "complete: this must be true or false"),
        ("complete = true", "", "this key is missing: complete"),
        ("number = 20", 'number = "20"', "[[sample]] 2: number: this must be a whole number"),
        ("number = 20", "number = 16384", "[[sample]] 2: number"),
        ("device_id = 0", "device_id = 128", "device_id"),
        ("number = 20", "number = 0", "[[sample]] 2: number: 0 stands there twice"),
        ("sample-0020.syx", "../sample-0020.syx", "[[sample]] 2: file: ../sample-0020.syx is not"),
        ("number = 20", "number = = 20", "this is not TOML"),
    ],
)
def test_a_list_with_a_mistake_is_told_with_its_place(
    desk: Desk, backup: Path, before: str, after: str, told: str
) -> None:
    text = backup.read_text(encoding="utf-8")
    assert before in text
    backup.write_text(text.replace(before, after), encoding="utf-8")
    for said in (desk.put_back(), desk.run("diff", "desk", "desk")):
        assert (said.code, said.out) == (USAGE, "")
        assert said.err.startswith("desk/contents.toml")
        assert told in said.err


# What differs.


def test_two_backups_sample_by_sample(desk: Desk, gear: Gear, backup: Path) -> None:
    words_ = list(GULLS.words)
    words_[7] ^= 1
    gear.held.update(
        {
            0: THUNDER,
            20: Held(GULLS.head._replace(loop_end=150), words_),
            21: Held(THUNDER.head._replace(sample=21), THUNDER.words),
        }
    )
    assert desk.back_up("later", "--up-to", "31").code == OK
    assert desk.run("diff", "desk", "desk").code == OK
    said = desk.run("diff", "desk", "later")
    assert said.code == BROKEN
    assert "The same: sample 0.\n\nSample 20:\nDifferent." in said.out
    assert "Only in B: sample 21." in said.out
    assert said.out.splitlines()[-1] == "1 of 2 pairs the same, 1 without a counterpart."
    document = desk.run("diff", "desk", "later", "--json").document
    assert (document["schema"], document["same"]) == ("dryload/diff/1", False)
    thunder, gulls = document["pairs"]
    assert (thunder["a"]["sample_number"], thunder["same"]) == (0, True)
    assert (gulls["a"]["sample_number"], gulls["words"]["different"]) == (20, 1)
    loop = {"field": "loop", "a": "forward, 10 to 199", "b": "forward, 10 to 150"}
    assert any(each.items() >= loop.items() for each in gulls["header"])
    assert [each["sample_number"] for each in document["only_b"]] == [21]


def test_a_backup_and_what_the_unit_holds_now(desk: Desk, gear: Gear, backup: Path) -> None:
    said = desk.run("diff", "desk", TARGET)
    assert said.code == BROKEN  # it has been initialised
    assert "it may hold none of them, have another device ID" in said.out
    gear.held.update({0: THUNDER, 20: GULLS})
    before = gear.saw["requests"]
    said = desk.run("diff", "desk", TARGET)
    assert said.code == OK
    assert said.out.splitlines()[-1] == "2 of 2 pairs the same."
    assert gear.saw["requests"] == before + 2  # nothing but what the list has
    gear.held[0] = THUNDER._replace(head=THUNDER.head._replace(period_ns=25_000))
    del gear.held[20]
    said = desk.run("diff", "desk", TARGET)
    assert said.code == BROKEN
    assert "The same 95 words, but different headers: sample rate." in said.out
    assert "Only in A: sample 20." in said.out
    assert said.out.splitlines()[-1] == "0 of 1 pair the same, 1 without a counterpart."
    assert "no answer for 20" in said.out


def test_what_a_unit_does_not_tell_is_not_held_against_it(desk: Desk) -> None:
    """A name and a second loop are in the backup; this gear knows neither (CA-019, M1 p. 38)."""
    unit = desk.endpoint = RackUnit(load_profile())
    data = oracle.dump(bits=16, words=THUNDER.words, sample_number=0, period_ns=PERIOD_NS)
    loop = oracle.loop_points(
        sample_number=0, loop_number=2, loop_type=FORWARD, loop_start=3, loop_end=50
    )
    Path("thunder.syx").write_bytes(data + loop + oracle.sample_name(sample_number=0, name=b"Boo"))
    assert desk.put_back("thunder.syx").code == OK
    assert desk.back_up("desk", "--up-to", "3").code == OK
    assert (listed()["sample"][0]["name"], listed()["sample"][0]["more_loops"]) == ("Boo", 1)
    unit.panel.initialise(desk.clock.now_ns())
    gear = Gear()
    gear.held[0] = THUNDER
    desk.endpoint = GearEndpoint(gear)
    said = desk.run("diff", "desk", TARGET)
    assert said.code == OK
    assert 'Sample 0 "Boo":' in said.out
    assert "Note: B: the unit does not tell its name." in said.out
    assert "Note: B: the unit does not tell loops beside that of the header." in said.out


def test_the_silence_of_a_unit_that_has_gone_is_said_to_mean_nothing(
    desk: Desk, gear: Gear, backup: Path
) -> None:
    gear.held.update({0: THUNDER, 20: GULLS})
    gone: list[bytes] = []

    def passes(message: bytes) -> bool:
        is_header = message[3] == wire.HEADER
        gone.extend([message] * (is_header and wire.number(message[4:6]) == 20))
        return not gone

    desk.passes = passes
    said = desk.run("diff", "desk", TARGET)
    assert said.code == BROKEN
    assert "no answer for 20; it has stopped answering, so that this means nothing" in said.out


def test_a_sample_that_does_not_come_whole_is_not_called_the_same(
    desk: Desk, gear: Gear, backup: Path
) -> None:
    gear.held.update({0: THUNDER, 20: GULLS})
    desk.passes = lambda message: not is_packet_of_gulls(message)
    said = desk.run("diff", "desk", TARGET)
    assert said.code == BROKEN
    assert "Not comparable: B: it did not arrive whole" in said.out
    stop_at(desk, 20, desk.hang_up)
    assert desk.run("diff", "desk", TARGET).code == RIG
    stop_at(desk, 20, press_ctrl_c)
    assert desk.run("diff", "desk", TARGET).code == INTERRUPTED


def test_folders_of_dumps_without_a_list(desk: Desk, gear: Gear, backup: Path) -> None:
    dump = Path("desk/sample-0020.syx").read_bytes()
    os.mkdir("dumps")
    Path("dumps/any name.syx").write_bytes(Path("desk/sample-0000.syx").read_bytes() + dump)
    Path("dumps/notes.txt").write_text("gulls and thunder\n")
    said = desk.run("diff", "desk", "dumps")
    assert (said.code, said.out.splitlines()[-1]) == (OK, "2 of 2 pairs the same.")
    assert "dumps/notes.txt is a text file, not a dump" in said.out
    gear.held.update({0: THUNDER, 20: GULLS})
    assert desk.run("diff", "dumps", TARGET).code == OK
    Path("dumps/any name.syx").write_bytes(dump)
    said = desk.run("diff", "dumps", "desk")
    assert (said.code, "Only in B: sample 0." in said.out) == (BROKEN, True)
    Path("dumps/again.syx").write_bytes(dump)
    said = desk.run("diff", "dumps", "desk")
    assert (said.code, "both hold a sample 20" in said.err) == (USAGE, True)


def test_a_file_of_a_backup_that_is_missing_or_changed_shows_in_diff(
    desk: Desk, gear: Gear, backup: Path
) -> None:
    assert desk.run("diff", "desk", "desk").code == OK
    Path("desk/sample-0020.syx").unlink()
    said = desk.run("diff", "desk", "desk")
    assert said.code == BROKEN
    assert "desk/sample-0020.syx: there is no such file" in said.out
    file = Path("desk/sample-0000.syx")
    file.write_bytes(file.read_bytes() + wire.handshake(wire.EOF, 0, 0))
    said = desk.run("diff", "desk", "desk")
    assert "is not the file that the backup lists" in said.out


@pytest.mark.parametrize(
    ("words_", "told"),
    [
        (("desk", "unit:lantern-desk"), "a new emulated unit is empty"),
        (("desk", "tcp:4000"), "give an address and a port number"),
        ((TARGET, "desk"), "Name the folder first."),
        (("desk", "empty"), "empty is a folder without files"),
        (("desk", TARGET, "--dump-a", "1"), "are not for folders"),
        (("desk", TARGET, "--hear", "Desk"), "--hear is for MIDI ports"),
        (("desk", "desk", "--hear", "Desk"), "--hear is for MIDI ports"),
    ],
)
def test_what_cannot_be_compared(
    desk: Desk, backup: Path, words_: tuple[str, ...], told: str
) -> None:
    os.mkdir("empty")
    desk.endpoint = None
    said = desk.run("diff", *words_)
    assert (said.code, said.out) == (USAGE, "")
    assert told in said.err
