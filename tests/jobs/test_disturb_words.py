"""The vocabulary and the reading of it: whole, true to the register, and plain when it refuses."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.dump.capture import Direction
from emulator.line import effects, effects_time
from emulator.line.applied import Placed
from emulator.line.link import Link
from emulator.line.placement import EVERYWHERE, Placement, Target
from emulator.line.trouble import ForgetsHeader, PowerFails, StoresWrong, Trouble
from emulator.unit.possible import ProfileError
from emulator.unit.profile import load_profile
from emulator.wire.clauses import clauses
from harness.jobs.disturb_asked import Disturbances, NoSpacing, Trait
from harness.jobs.disturb_grammar import find, nanoseconds, pattern_of
from harness.jobs.disturb_reading import NotUnderstood, read_words
from harness.jobs.disturb_scenes import SITUATIONS
from harness.jobs.disturb_situations import read_all
from harness.jobs.disturb_word import Group, Reach
from harness.jobs.disturb_words import PLACES, WORDS

MS = 1_000_000
SECOND = 1_000 * MS

# The vocabulary


@pytest.mark.parametrize("word", WORDS, ids=lambda word: word.name)
def test_an_entry_is_whole(word: object) -> None:
    (entry,) = [each for each in WORDS if each is word]
    assert entry.clause in clauses()
    for text in (entry.does, entry.shows, entry.must, entry.cause):
        assert text[0].isupper()
        assert text.endswith(".")
    asked = read_words(entry.example)
    assert asked.said == entry.example
    if entry.forms:
        assert asked.word is entry
    assert isinstance(asked.means, Trouble) is (asked.word.reach is Reach.UNIT)
    assert isinstance(asked.means, Placed) is (asked.word.reach in (Reach.LINE, Reach.REPLY))


def test_names_and_forms_are_one_thing_each() -> None:
    names = [word.name.lower() for word in WORDS] + [each.name for each in SITUATIONS]
    assert len(set(names)) == len(names)
    forms = [form for word in WORDS for form in word.forms] + [each.form for each in PLACES]
    assert len(set(forms)) == len(forms)
    assert {word.group for word in WORDS} == set(Group)


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
    everything = read_all([each.name for each in SITUATIONS])  # also all of them together
    assert {each.situation for each in everything.asked} == {each.name for each in SITUATIONS}
    for situation in SITUATIONS:
        said = [each.said for each in read_all([situation.name]).asked]
        assert said == list(situation.disturbances)


def test_a_seed_behind_a_situation_goes_to_what_happens_by_chance() -> None:
    for asked in read_all(["loose plug, seed 9"]).asked:
        assert isinstance(asked.means, Placed)
        assert asked.means.where.seed == 9
    for asked in read_all(["Clock  running seed 9"]).asked:
        assert asked.said == "clock at 124 beats per minute"


# Reading

PACKETS = Target.PACKETS
NAMED = {"target": PACKETS, "again": False}


def where(**fields: object) -> Placement:
    return Placement(**fields)  # type: ignore[arg-type]  # the keywords of one call


@pytest.mark.parametrize(
    ("text", "effect", "place"),
    [
        ("flip a bit in packet 7", effects.FlipOne(), where(first=7, last=7, **NAMED)),
        ("in packet 7 flip a bit", effects.FlipOne(), where(first=7, last=7, **NAMED)),
        (
            "Flip  bit 3, packet 7, byte 9",
            effects.FlipOne(bit=3),
            where(first=7, last=7, byte=9, **NAMED),
        ),
        (
            "flip a bit in packet 7 each time",
            effects.FlipOne(),
            where(target=PACKETS, first=7, last=7),
        ),
        (
            "each time flip a bit in packet 7",
            effects.FlipOne(),
            where(target=PACKETS, first=7, last=7),
        ),
        ("lose every 5th reply", effects.Lose(), where(target=Target.REPLIES, every=5)),
        (
            "lose the reply to packet 3",
            effects.Lose(),
            where(target=Target.REPLIES, first=3, last=3, again=False),
        ),
        (
            "lose the reply to the header",
            effects.Lose(),
            where(target=Target.HEADER_REPLY, again=False),
        ),
        ("lose the header", effects.Lose(), where(target=Target.HEADER, again=False)),
        ("lose replies", effects.Lose(), where(target=Target.REPLIES)),
        (
            "lose message 0 from the unit",
            effects.Lose(),
            where(last=0, directions=(Direction.FROM_UNIT,)),
        ),
        (
            "add F8 in packets 3 to 9",
            effects.AddBytes(values=b"\xf8"),
            where(first=3, last=9, **NAMED),
        ),
        (
            "add f0 f7 each time in packet 3",
            effects.AddBytes(values=b"\xf0\xf7"),
            where(target=PACKETS, first=3, last=3),
        ),
        (
            "swap two bytes in packet 4, byte 20",
            effects.SwapBytes(),
            where(first=4, last=4, byte=20, **NAMED),
        ),
        ("delay replies by 60 ms", effects_time.Delay(by_ns=60 * MS), where(target=Target.REPLIES)),
        (
            "with chance 1 in 200, flip a bit, seed 3",
            effects.FlipOne(),
            where(target=PACKETS, chance=Fraction(1, 200), seed=3),
        ),
        ("noise of 5 bytes at 2 s", effects.Noise(count=5), where(from_ns=2 * SECOND, times=1)),
        (
            "noise between 2 s and 2.5 s, both ways",
            effects.Noise(),
            where(from_ns=2 * SECOND, until_ns=2_500 * MS, directions=EVERYWHERE),
        ),
        (
            "lose 3 bytes in every 5th packet, packets from 10 on, at most 2 times",
            effects.LoseBytes(count=3),
            where(target=PACKETS, every=5, first=10, times=2),
        ),
        (
            "repeat every packet until 320 us",
            effects.Repeat(),
            where(target=PACKETS, until_ns=320_000),
        ),
        (
            "answer CANCEL to packet 6",
            effects.Retell(kind=0x7D),
            where(target=Target.REPLIES, first=6, last=6, again=False),
        ),
        (
            "answer nak in message 3",
            effects.Retell(kind=0x7E),
            where(first=3, last=3, directions=(Direction.FROM_UNIT,)),
        ),
        ("answer nak", effects.Retell(kind=0x7E), where(target=Target.REPLIES)),
        (
            "answer wait to the header",
            effects.Retell(kind=0x7C),
            where(target=Target.HEADER_REPLY, again=False),
        ),
        ("wrong number by 5", effects.Retell(shift=5), where(target=Target.REPLIES)),
        ("clock at 120", effects.Ticks(period_ns=20_833_333), where()),  # 24 a beat (M1 p. 30)
        ("active sensing", effects.Ticks(value=0xFE, period_ns=270 * MS), where()),  # M1 p. 32
        ("reset in packet 2", effects.AddBytes(values=b"\xff"), where(first=2, last=2, **NAMED)),
        ("drift of 2.5 percent", effects_time.Drift(ppm=25_000), where()),
        (
            "pause of 1 minute in packet 2, byte 5",
            effects_time.Pause(for_ns=60 * SECOND),
            where(first=2, last=2, byte=5, **NAMED),
        ),
        ("unplug at 1 s for 300 ms", effects.Unplug(), where(from_ns=SECOND, until_ns=1_300 * MS)),
        ("reorder packet 6", effects.HoldBack(), where(first=6, last=6, **NAMED)),
    ],
)
def test_what_words_mean(text: str, effect: object, place: Placement) -> None:
    asked = read_words(text)
    assert asked.means == Placed(effect=effect, where=place, said=asked.said)  # type: ignore[arg-type]  # of several kinds


def test_what_words_mean_inside_the_unit() -> None:
    place = where(first=3, last=3, **NAMED)
    for text, effect in (
        ("power fails at packet 3", PowerFails()),
        ("power fails at packet 3 for 2 s", PowerFails(for_ns=2 * SECOND)),
        ("forget the header at packet 3", ForgetsHeader()),
        ("store wrong in packet 3", StoresWrong()),
    ):
        assert read_words(text).means == Trouble(effect=effect, where=place, said=text)
    at = read_words("power fails at 2 s").means
    assert at == Trouble(
        effect=PowerFails(), where=where(from_ns=2 * SECOND, times=1), said="power fails at 2 s"
    )


def test_what_lasts_from_beginning_to_end() -> None:
    asked = read_all(
        ["no spacing", "acknowledge bad packets", "link usb", "habit store_packet_ms 60"]
    )
    assert isinstance(asked.asked[0].means, NoSpacing)
    assert isinstance(asked.link, Link)
    profile = asked.unit(load_profile())
    assert profile.habits.bad_checksum == "store"
    assert profile.input.store_packet_ns == 60 * MS
    assert Disturbances().unit(load_profile()) == load_profile()


@pytest.mark.parametrize(
    ("text", "trait"),
    [
        ("habit number_jump cancel", Trait(section="habits", field="number_jump", value="cancel")),
        ("habit habits.nak_limit 0", Trait(section="habits", field="nak_limit", value=0)),
        ("habit final_ack false", Trait(section="habits", field="final_ack", value=False)),
        ('habit room "as it fills"', Trait(section="memory", field="room", value="as it fills")),
        ("habit room as it fills", Trait(section="memory", field="room", value="as it fills")),
        ("habit words.accepts [8, 16]", Trait(section="words", field="accepts", value=(8, 16))),
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
    ("flip bit 9 in packet 7", "bit must be 0 to 7, not 9."),
    ("lose packets 9 to 3", "from 9 to 3 there is nothing."),
    ("lose every 0th packet", "every must be 1 or more, not 0."),
    ("lose packets with chance 1 in 0", "a chance of 1 in 0 is none"),
    ("delay replies", "say by how much, as in: by 60 ms."),
    ("no spacing in packet 4", '"no spacing" lasts from beginning to end: "packet 4" is too much.'),
    ("power fails", "say where"),
    ("unplug the cable at packet 3", "a plug has a time and no message"),
    ("power fails at replies", "only what goes to the unit can meet trouble in it."),
    ("clock at 0", "a clock has 1 to 999 beats per minute, not 0."),
    ("memory ends after 0 words", "give 1 word or more"),
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
            [*["", ",;0123456789"], *(t for w in WORDS for f in w.forms for t in f.split())]
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
        assert asked.word in WORDS


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
