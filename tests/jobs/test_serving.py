"""The unit as a device: what is told, done and kept, in the time of a clock that stands still."""

from __future__ import annotations

from itertools import pairwise

import pytest

from dryload.emulator.dump.capture import Direction
from dryload.harness.jobs.front_panel import View, action_of
from tests import oracle
from tests.jobs.serving_bench import SECOND_NS, STEP_NS, Bench, messages_of
from tests.ports.clockwork import MS, FakeClock
from tests.unit.desk import noise


def test_a_dump_is_told_of_from_its_header_to_its_end() -> None:
    bench, words = Bench(), noise(1_000)
    bench.take(words)
    assert bench.words_in(2) == words
    header = bench.only("header")
    assert header.facts == {
        "sample_number": 1,
        "words": 1_000,
        "bits": 16,
        "channels": 1,
        "slot": 2,
        "packets": 25,  # of 40 words each (M1 p. 39)
    }
    assert "1,000 words of 16 bits, for slot 2" in header.text
    assert bench.only("loaded").facts["words"] == 1_000
    # 25 packets take a second and a half here: one line of progress.
    progress = bench.only("progress")
    assert progress.facts["expected"] == 25
    assert bench.events() == ["header", "progress", "loaded"]
    # The header has 21 bytes (M1 p. 37), and the unit tells of it when they are there.
    assert header.time_ns == 21 * 320_000


def test_what_there_is_to_be_seen_in_the_middle_of_a_dump() -> None:
    bench, seen = Bench(), list[View]()
    bench.take(noise(5))
    bench.run(
        bench.come(messages_of(noise(1_000), 7)[:11]),
        lambda: seen.append(bench.serving.view()),
    )
    view = bench.serving.view()
    assert view.state == "receiving sample 7"
    assert view.arriving is not None
    assert (view.arriving.packets, view.arriving.expected) == (10, 25)
    assert [(slot.number, slot.sample_number) for slot in view.slots] == [(2, 1)]
    assert [(piece.kind, piece.region.words, piece.slot) for piece in view.memory_map[:2]] == [
        ("sample", 5, 2),
        ("arriving", 1_000, None),
    ]
    assert sum(piece.region.words for piece in view.memory_map) == view.capacity
    assert view.edges == (0, 1_048_576, 2_097_152)
    assert view.edges[-1] == view.capacity
    assert view.peer is None
    assert view.image == ""
    assert [note.event for note in view.notes] == bench.events()
    assert len({one.time_ns for one in seen}) == len(seen) > 10  # every slice has its tick


def test_what_a_unit_sends_is_told_too() -> None:
    bench, words = Bench(), noise(100)
    bench.take(words)
    bench.port.add(bench.clock.time_ns, oracle.dump_request(sample_number=1))
    bench.run(bench.clock.time_ns + 10 * SECOND_NS)  # nobody answers: an open loop (HSK-03)
    assert bench.only("request answered").facts == {"sample_number": 1, "words": 100}
    assert bench.only("sent").facts == {"sample_number": 1, "packets": 3}
    sent = b"".join(message for _, message in bench.port.sent[-4:])
    assert oracle.read_dump(sent).words == words


def test_what_the_unit_does_not_hear_is_told() -> None:
    bench = Bench()
    header = messages_of(noise(3), device_id=5)[0]
    own = messages_of(noise(3))[0]
    request = oracle.dump_request(sample_number=9)
    bench.run(bench.come([header]))
    bench.serving.post("filter off")
    bench.run(bench.clock.time_ns + STEP_NS)
    bench.run(bench.come([own]))
    bench.serving.post("power off")
    bench.run(bench.clock.time_ns + STEP_NS)
    bench.run(bench.come([request]))
    told = [note.text for note in bench.notes if note.event == "not heard"]
    assert told == [
        "a header of sample 1 came for device 5, and this unit is device 0",
        "a header of sample 1 came, and the receive filter kept it out",
        "a request for sample 9 came, and the unit is switched off",
    ]
    assert bench.port.sent == []


def test_a_refused_dump_and_one_that_ends_early() -> None:
    bench = Bench("[slots]\ncount = 4\n")
    bench.run(bench.come(messages_of(noise(3), 9)))
    assert "sample number" in bench.only("refused").text
    bench.run(bench.come(messages_of(noise(300))[:3]))
    bench.run(bench.clock.time_ns + 3 * SECOND_NS)
    incomplete = bench.only("incomplete")
    assert incomplete.facts["kept"] is False
    assert "after 80 words" in incomplete.text


@pytest.mark.parametrize(
    ("line", "action"),
    [
        ("confirm", ("confirm", 0)),
        ("  initialise ", ("initialise", 0)),
        ("device-id 5", ("device-id", 5)),
        ("filter off", ("filter", 0)),
        ("power  on", ("power", 1)),
        ("protect 12", ("protect", 12)),
        ("unprotect 12", ("unprotect", 12)),
        ("delete 1", ("delete", 1)),
        ("quit", ("quit", 0)),
    ],
)
def test_the_words_of_actions(line: str, action: tuple[str, int]) -> None:
    assert action_of(line) == action


@pytest.mark.parametrize(
    "line",
    [
        *("", "press", "CONFIRM", "confirm 3", "device-id", "device-id x", "device-id -1"),
        *("delete 1 2", "filter", "filter yes", "quit now", "delete 99999999999999999999"),
        *("\x1b[2J", "protect ²"),
    ],
)
def test_lines_that_are_no_actions(line: str) -> None:
    with pytest.raises(ValueError, match=r".") as caught:
        action_of(line)
    assert str(caught.value).isprintable()
    bench = Bench()
    bench.serving.post(line)
    bench.run(1)
    assert bench.events() == ["mistake"]


def test_actions_at_the_panel() -> None:
    bench = Bench("[slots]\ncount = 4\n")
    bench.take([1, 2, 3])
    lines = ["device-id 9", "protect 2", "delete 2", "unprotect 2", "delete 2", "delete 2"]
    for line in [*lines, "delete 5", "device-id 127", "power off", "filter off", "power on"]:
        assert bench.serving.post(line)
    bench.run(bench.clock.time_ns + 1)
    assert bench.unit.panel.device_id == 9
    assert bench.words_in(2) is None
    told = [(note.event, note.facts["action"]) for note in bench.notes[2:]]
    assert told == [
        ("action", "device-id 9"),
        ("action", "protect 2"),
        ("mistake", "delete 2"),
        ("action", "unprotect 2"),
        ("action", "delete 2"),
        ("mistake", "delete 2"),
        ("mistake", "delete 5"),
        ("mistake", "device-id 127"),
        ("action", "power off"),
        ("mistake", "filter off"),
        ("action", "power on"),
    ]


def test_quit_ends_it_and_actions_that_wait_are_bounded() -> None:
    bench = Bench()
    taken = [bench.serving.post("confirm") for _ in range(1_000)]
    assert taken.count(True) == 256
    bench.run(1)
    assert bench.serving.post("quit")
    bench.run(1 << 60)
    assert bench.clock.time_ns < SECOND_NS


CONFIRM = '[panel]\nconfirm = "each dump"\n'


def test_an_operator_presses_confirm_after_a_while() -> None:
    bench = Bench(CONFIRM, operator_ns=3 * SECOND_NS)
    bench.take([1, 2, 3])
    assert bench.unit.panel.awaiting_confirm == 2
    assert bench.only("to confirm").facts == {"slot": 2}
    asked_ns = bench.only("to confirm").time_ns
    bench.run(bench.clock.time_ns + 4 * SECOND_NS)
    pressed = bench.only("action")
    assert pressed.text == "slot 2 confirmed at the panel"
    assert 0 <= pressed.time_ns - asked_ns - 3 * SECOND_NS <= 50 * MS
    bench.take([4])  # and again for the next one
    bench.run(bench.clock.time_ns + 4 * SECOND_NS)
    assert bench.events().count("action") == 2


def test_without_an_operator_it_is_left_to_a_person() -> None:
    bench = Bench(CONFIRM)
    bench.take([1, 2, 3])
    header, packet = messages_of([4, 5], 2)
    bench.run(bench.come([header]) + 60 * SECOND_NS)
    assert bench.only("waiting").facts == {"sample_number": 2}
    assert bench.serving.view().state == "slot 2 waits for confirm, and sample 2 has to wait"
    bench.serving.post("confirm")
    bench.run(bench.clock.time_ns + STEP_NS)
    bench.run(bench.come([packet]))
    assert bench.words_in(3) == [4, 5]


def test_a_flood_of_one_event_is_cut_and_counted() -> None:
    bench = Bench(byte_ns=0)
    header, packet, *_ = messages_of(noise(100))
    broken = packet[:-2] + bytes([packet[-2] ^ 1]) + packet[-1:]
    bench.run(bench.come([header, *[header, broken] * 500], step_ns=10 * MS))
    bench.run(bench.come([header, broken], at_ns=2 * SECOND_NS) + STEP_NS)
    faulty = [note for note in bench.notes if note.event == "faulty"]
    assert len(faulty) < 20 * 13  # in twelve seconds
    assert sum(int(str(note.facts.get("left_out", 0))) for note in faulty) + len(faulty) == 501
    assert len(bench.serving.view().notes) <= 64


def test_lateness_is_told_as_ours() -> None:
    bench = Bench(clock=FakeClock(stalls=[(100 * MS, 700 * MS), (1_000 * MS, 300 * MS)]))
    bench.run(bench.come(messages_of(noise(1_000))))
    late = [note for note in bench.notes if note.event == "late"]
    assert late
    assert all("this computer was late" in note.text for note in late)
    assert all(b.time_ns - a.time_ns >= SECOND_NS for a, b in pairwise(late))
    assert bench.serving.view().worst_late_ns > 500 * MS


def test_everything_that_passes_is_recorded() -> None:
    bench, messages = Bench(), messages_of(noise(50))
    bench.run(bench.come(messages))
    to_unit = [each.data for each in bench.passages if each.direction is Direction.TO_UNIT]
    assert to_unit == messages
    assert sum(each.direction is Direction.FROM_UNIT for each in bench.passages) == 3
