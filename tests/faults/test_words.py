"""The vocabulary and the reading of it: whole, true to the register, and plain when it refuses."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line import effects
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.link import Link
from dryload.emulator.line.placement import EVERYWHERE, Placement, Scope
from dryload.emulator.line.trouble import Trouble, forgets_header, power_fails, stores_wrong
from dryload.emulator.unit.forms import nanoseconds
from dryload.emulator.unit.possible import ProfileError
from dryload.emulator.unit.profile import load_profile
from dryload.harness.faults.asked import Disturbances, Trait
from dryload.harness.faults.catalogue import faults, situations
from dryload.harness.faults.grammar import PLACES, find, pattern_of
from dryload.harness.faults.reading import NotUnderstood, read_all, read_words
from dryload.harness.jobs.transfer import Settings
from tests.line.told import Does, does

MS = 1_000_000
SECOND = 1_000 * MS

# The words


def test_every_place_can_be_said() -> None:
    said = {
        "N": "3",
        "Nth": "3rd",
        "TIME": "3 ms",
        "THING": "packet",
        "THINGS": "packets",
    }
    for phrase in PLACES:
        words = " ".join(said.get(token, token) for token in phrase.form.split())
        found = find(words, 0, [each.form for each in PLACES])
        assert found is not None
        assert (found.form, found.stop) == (phrase.form, len(words))
        words = words.replace("between 3 ms and 3 ms", "between 3 ms and 4 ms")
        read_words(
            f"flip a bit, with chance 1 in 2, {words}" if "chance" not in words else f"lose {words}"
        )


def test_every_situation_is_made_of_the_vocabulary() -> None:
    everything = read_all([each.name for each in situations()])  # also all of them together
    assert {each.situation for each in everything.asked} == {each.name for each in situations()}
    for situation in situations():
        said = [each.said for each in read_all([situation.name]).asked]
        assert said == list(situation.faults)


def test_a_seed_behind_a_situation_goes_to_what_happens_by_chance() -> None:
    for asked in read_all(["loose plug, seed 9"]).asked:
        assert isinstance(asked.means, Disturbance)
        assert asked.means.where.seed == 9
    for asked in read_all(["Clock  running seed 9"]).asked:
        assert asked.said == "clock at 124 beats per minute"


# Reading

PACKETS = Scope.PACKETS
NAMED = {"target": PACKETS, "again": False}


def where(**fields: object) -> Placement:
    return Placement(**fields)  # type: ignore[arg-type]  # the keywords of one call


@pytest.mark.parametrize(
    ("text", "effect", "place"),
    [
        ("flip a bit in packet 7", does(effects.flip_one), where(first=7, last=7, **NAMED)),
        ("in packet 7 flip a bit", does(effects.flip_one), where(first=7, last=7, **NAMED)),
        (
            "Flip  bit 3, packet 7, byte 9",
            does(effects.flip_one, bit=3),
            where(first=7, last=7, byte=9, **NAMED),
        ),
        (
            "flip a bit in packet 7 each time",
            does(effects.flip_one),
            where(target=PACKETS, first=7, last=7),
        ),
        (
            "each time flip a bit in packet 7",
            does(effects.flip_one),
            where(target=PACKETS, first=7, last=7),
        ),
        ("lose every 5th reply", does(effects.lose), where(target=Scope.REPLIES, every=5)),
        (
            "lose the reply to packet 3",
            does(effects.lose),
            where(target=Scope.REPLIES, first=3, last=3, again=False),
        ),
        (
            "lose the reply to the header",
            does(effects.lose),
            where(target=Scope.HEADER_REPLY, again=False),
        ),
        ("lose the header", does(effects.lose), where(target=Scope.HEADER, again=False)),
        ("lose replies", does(effects.lose), where(target=Scope.REPLIES)),
        (
            "lose message 0 from the unit",
            does(effects.lose),
            where(last=0, directions=(Direction.FROM_UNIT,)),
        ),
        (
            "add F8 in packets 3 to 9",
            does(effects.add_bytes, values=[248]),
            where(first=3, last=9, **NAMED),
        ),
        (
            "add f0 f7 each time in packet 3",
            does(effects.add_bytes, values=[240, 247]),
            where(target=PACKETS, first=3, last=3),
        ),
        (
            "swap two bytes in packet 4, byte 20",
            does(effects.swap_bytes),
            where(first=4, last=4, byte=20, **NAMED),
        ),
        (
            "delay replies by 60 ms",
            does(effects.delay, by_ns=60 * MS),
            where(target=Scope.REPLIES),
        ),
        (
            "with chance 1 in 200, flip a bit, seed 3",
            does(effects.flip_one),
            where(target=PACKETS, chance=Fraction(1, 200), seed=3),
        ),
        (
            "noise of 5 bytes at 2 s",
            does(effects.noise, count=5),
            where(from_ns=2 * SECOND, times=1),
        ),
        (
            "noise between 2 s and 2.5 s, both ways",
            does(effects.noise, count=5),
            where(from_ns=2 * SECOND, until_ns=2_500 * MS, directions=EVERYWHERE),
        ),
        (
            "lose 3 bytes in every 5th packet, packets from 10 on, at most 2 times",
            does(effects.lose_bytes, count=3),
            where(target=PACKETS, every=5, first=10, times=2),
        ),
        (
            "repeat every packet until 320 us",
            does(effects.repeat),
            where(target=PACKETS, until_ns=320_000),
        ),
        (
            "answer CANCEL to packet 6",
            does(effects.retell, kind=0x7D),
            where(target=Scope.REPLIES, first=6, last=6, again=False),
        ),
        (
            "answer nak in message 3",
            does(effects.retell, kind=0x7E),
            where(first=3, last=3, directions=(Direction.FROM_UNIT,)),
        ),
        ("answer nak", does(effects.retell, kind=0x7E), where(target=Scope.REPLIES)),
        (
            "answer wait to the header",
            does(effects.retell, kind=0x7C),
            where(target=Scope.HEADER_REPLY, again=False),
        ),
        ("wrong number by 5", does(effects.retell, shift=5), where(target=Scope.REPLIES)),
        (
            "clock at 120",
            does(effects.ticks, value=0xF8, beats=120),
            where(),
        ),
        (
            "active sensing",
            does(effects.ticks, value=0xFE, period_ns=270 * MS),
            where(),
        ),  # M1 p. 32
        (
            "reset in packet 2",
            does(effects.add_bytes, values=[255]),
            where(first=2, last=2, **NAMED),
        ),
        ("drift of 2.5 percent", does(effects.drift, ppm=25_000), where()),
        (
            "pause of 1 minute in packet 2, byte 5",
            does(effects.pause, for_ns=60 * SECOND),
            where(first=2, last=2, byte=5, **NAMED),
        ),
        (
            "unplug at 1 s for 300 ms",
            does(effects.unplug),
            where(from_ns=SECOND, until_ns=1_300 * MS, by_arrival=True),
        ),
        ("reorder packet 6", does(effects.hold_back), where(first=6, last=6, **NAMED)),
    ],
)
def test_what_words_mean(text: str, effect: Does, place: Placement) -> None:
    asked = read_words(text)
    assert asked.means == effect.at(place, asked.said)


def test_what_words_mean_inside_the_unit() -> None:
    place = where(first=3, last=3, **NAMED)
    for text, effect in (
        ("power fails at packet 3", does(power_fails)),
        ("power fails at packet 3 for 2 s", does(power_fails, for_ns=2 * SECOND)),
        ("forget the header at packet 3", does(forgets_header)),
        ("store wrong in packet 3", does(stores_wrong)),
    ):
        assert read_words(text).means == Trouble(
            effect=effect.effect, settings=effect.settings, where=place, said=text
        )
    (twice,) = read_all(["power fails in messages 2 to 3"]).placed
    assert twice.where == where(first=2, last=3, times=1)
    at_2_s = {"from_ns": 2 * SECOND, "times": 1}
    stores = Trouble(
        effect=stores_wrong, where=where(target=PACKETS, **at_2_s), said="store wrong at 2 s"
    )
    assert read_words("store wrong at 2 s").means == stores
    at = read_words("power fails at 2 s").means
    assert at == Trouble(
        effect=power_fails, where=where(from_ns=2 * SECOND, times=1), said="power fails at 2 s"
    )


def test_what_lasts_from_beginning_to_end() -> None:
    asked = read_all(
        ["no spacing", "acknowledge bad packets", "link usb", "habit store_packet_ms 60"]
    )
    assert asked.settings(Settings()).limits.packet_ns == 0
    assert isinstance(asked.link, Link)
    profile = asked.unit(load_profile())
    assert profile.habits.bad_checksum == "store"
    assert profile.input.store_packet_ns == 60 * MS
    assert Disturbances().unit(load_profile()) == load_profile()


@pytest.mark.parametrize(
    ("text", "trait"),
    [
        (
            "habit number_jump cancel",
            Trait("habits", "number_jump", "cancel"),
        ),
        (
            "habit habits.nak_limit 0",
            Trait("habits", "nak_limit", 0),
        ),
        (
            "habit final_ack false",
            Trait("habits", "final_ack", False),
        ),
        (
            'habit room "as it fills"',
            Trait("memory", "room", "as it fills"),
        ),
        (
            "habit room as it fills",
            Trait("memory", "room", "as it fills"),
        ),
        (
            "habit words.accepts [8, 16]",
            Trait("words", "accepts", (8, 16)),
        ),
    ],
)
def test_every_key_of_a_profile_is_a_habit(text: str, trait: Trait) -> None:
    assert read_words(text).means == (trait,)


REFUSED = [
    ("", "does not say what is to happen"),
    ("in packet 7", "does not say what is to happen"),
    (
        "frobnicate",
        '"frobnicate" (from character 1 on) is not understood: what can happen: flip a bit,',
    ),
    ("flip a bti in packet 7", 'did you mean "flip a bit"?'),
    (
        "flip a bit in pakcet 7",
        '"pakcet 7" (from character 15 on) is not understood: did you mean "packet N"?',
    ),
    ("lose every 5th rpely", 'did you mean "every Nth reply"?'),
    ("flip a bit in", '"in" (from character 12 on) is not understood'),
    ("flip a bit", "say where, as in: in packet 7"),
    ("flip a bit, byte 7", "say where, as in: in packet 7"),
    ("lose", "say where"),
    ("lose packet 7 lose packet 9", '"lose" is a second thing to happen'),
    ("lose packet 7, packet 9", '"packet 9" does not go with what was said before it'),
    ("lose packet 7, every 2nd reply", '"every 2nd reply" does not go with'),
    ("flip bit 9 in packet 7", '"flip bit N": N must be 0 to 7, not 9.'),
    ("lose 0 bytes in packet 1", '"lose N bytes": N must be 1 to 4,096, not 0.'),
    ("delay replies by 0 ms", '"by TIME": TIME must be 1 ns to 600 s, not 0 ns.'),
    ("slow line at 100 percent", '"slow line at N percent": N must be 1 to 99, not 100.'),
    ("wrong number by 128", '"by N": N must be 1 to 127, not 128.'),
    ("drift of 51 percent", '"drift of P percent": P must be 0.001 to 50, not 51.'),
    ("lose packets 9 to 3", "there is nothing from 9 to 3."),
    ("lose every 0th packet", "every must be 1 or more, not 0."),
    ("lose packets with chance 1 in 0", "a chance of 1 in 0 is none"),
    ("delay replies", 'say "by TIME" as well, as in: delay every 3rd packet by 30 ms.'),
    ("no spacing in packet 4", '"no spacing" lasts from beginning to end: "packet 4" is too much.'),
    ("power fails", "say where"),
    ("unplug between 2 s and 1 s", "it would have ended before it began"),
    ("unplug the cable at packet 3", "a plug has a time and no message"),
    ("power fails at replies", "only what goes to the unit can meet trouble in it."),
    ("clock at 0", '"clock at N beats per minute": N must be 1 to 999, not 0.'),
    ("memory ends after 0 words", "must be a whole number from 1 to"),
    ("memory ends after 999999999 words", "must be a whole number from 1 to 268,435,456"),
    ("buffer of 0 bytes", "input.buffer_bytes must be a whole number from 1 to"),
    ("habit nubmer_jump cancel", "did you mean number_jump?"),
    (
        "habit number_jump xx",
        'habits.number_jump must be "cancel", "ignore", "nak" or "store", not xx.',
    ),
    ("link nowhere", "there is no link"),
]


@pytest.mark.parametrize(("text", "told"), REFUSED, ids=[text for text, _ in REFUSED])
def test_what_is_not_understood_is_said_with_its_place(text: str, told: str) -> None:
    with pytest.raises(NotUnderstood) as caught:
        read_words(text)
    assert told in str(caught.value)
    assert str(caught.value)[-1] in ".?"


@pytest.mark.parametrize(
    ("texts", "told"),
    [
        (["lose plug"], '"lose plug": '),
        (["loose plgu"], 'did you mean "loose plug"?'),
        (["loose plug twice"], 'behind "loose plug" a seed may follow'),
        (["lose packet 1", "lose packet 1"], '"lose packet 1" is asked for twice.'),
        (["link usb", "link joins"], "not two links"),
    ],
)
def test_what_does_not_go_together(texts: list[str], told: str) -> None:
    with pytest.raises(NotUnderstood) as caught:
        read_all(texts)
    assert told in str(caught.value)


@given(
    st.lists(
        st.sampled_from(
            [*["", ",;0123456789"], *(t for w in faults() for f in w.forms for t in f.split())]
            + [token for each in PLACES for token in each.form.split()]
        ),
        max_size=9,
    )
)
def test_whatever_is_written_is_understood_or_refused(words: list[str]) -> None:
    try:
        asked = read_words(" ".join(words))
    except NotUnderstood as wrong:
        assert str(wrong)  # noqa: PT017  # either is well; only another exception is a fault
    else:
        assert asked.fault in faults()


@given(
    st.sampled_from(["", "habit ", "habit nak_limit ", "link ", "lose packet ", "add ", "at "]),
    st.text(max_size=40),
)
def test_no_text_whatever_raises_anything_else(front: str, text: str) -> None:
    try:
        asked = read_all([front + text])
        asked.unit(load_profile())
    except NotUnderstood as wrong:
        assert str(wrong).isprintable()  # noqa: PT017  # either is well
    except ProfileError:
        assert front.startswith("habit")


@pytest.mark.parametrize(
    ("text", "ns"),
    [("1.5 s", 1_500 * MS), ("60ms", 60 * MS), ("320 us", 320_000), ("2 min", 120 * SECOND)],
)
def test_times(text: str, ns: int) -> None:
    assert nanoseconds(text) == ns
    assert pattern_of("TIME").fullmatch(text)
