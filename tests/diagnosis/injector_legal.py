"""Nothing wrong: healthy conversations and odd ones that the standard allows.

Real-time bytes may stand anywhere (M1 p. 30), messages may pause (M1 p. 29), a unit may say WAIT
and take its time (M1 p. 39), the ACK to a header may bear any number (M1 p. 44).
"""

from __future__ import annotations

from emulator.dump.capture import Direction
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_family import CLEAN, LINE_ONLY, Label, legal, told
from tests.diagnosis.injector_play import MS, PACKET_NS, Play

FINE = told(CLEAN)


@legal("healthy", packets=(1, 8))
def healthy(play: Play) -> Label:
    play.whole()
    if play.rng.random() < 0.3:
        play.lives()
    return FINE


@legal("healthy, one word", packets=(1, 1), plain=True)
def one_word(play: Play) -> Label:
    dump = play.dump
    dump.words, dump.data = dump.words[:1], dump.data[: b.bytes_a_word(dump.bits)]
    dump.loop = (0, 0, b.NO_LOOP)
    dump.remake()
    play.sources = ()
    play.whole()
    return FINE


@legal("two dumps in a row")
def two_dumps(play: Play) -> Label:
    play.whole()
    play.silence(play.rng.randrange(50, 3000) * MS)
    play.dump.sample += 1
    play.dump.remake()
    play.sources = ()
    play.whole()
    return FINE


@legal("read back and the same", mono_id=True)
def read_back(play: Play) -> Label:
    play.whole()
    play.read_back_words(play.dump.words)
    return FINE


@legal("asked for by a request", mono_id=True)
def asked_for(play: Play) -> Label:
    play.sources = ()
    dump = play.dump
    play.read_back(dump.header, dump.packets)
    return FINE


@legal("WAIT before every ACK", plain=True)
def waits(play: Play) -> Label:
    play.waits = True
    play.whole()
    return FINE


@legal("a long WAIT at one packet", plain=True)
def long_wait(play: Play) -> Label:
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    play.send(place)
    play.say("WAIT", place)
    play.silence(play.rng.randrange(1, 40) * 1000 * MS)
    play.say("ACK", place)
    play.rest(place + 1)
    return FINE


@legal("clock inside")
def clock(play: Play) -> Label:
    play.tape.tick_ns = 60_000 * MS // 24 // play.rng.randrange(40, 250)  # 24 a quarter note
    play.whole()
    return FINE


@legal("active sensing kept up")
def sensing(play: Play) -> Label:
    play.tape.tick_ns, play.tape.tick = 250 * MS, 0xFE  # M1 p. 32: at most 300 ms
    play.whole()
    play.tape.ticks_until(play.tape.now_ns + 700 * MS)
    return FINE


@legal("a clock from the unit")
def clock_back(play: Play) -> Label:
    play.whole()
    step_ns = 60_000 * MS // 24 // play.rng.randrange(60, 200)
    for at in range(step_ns, play.tape.now_ns, step_ns):
        if not any(
            p.end_ns - len(p.data) * b.BYTE_NS < at + b.BYTE_NS and at < p.end_ns
            for p in play.tape.back
        ):
            play.tape.beside(Direction.FROM_UNIT, b"\xf8", at + b.BYTE_NS)
    return FINE


@legal("pauses inside packets", views=LINE_ONLY, goes_on=False)
def pauses(play: Play) -> Label:
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    raw = play.dump.packets[place]
    cut = play.rng.randrange(1, 127)
    gap = play.rng.randrange(1, 900)
    play.send(place, arrives=((0, raw[:cut]), (cut + gap, raw[cut:])))
    play.accept(place)
    play.rest(place + 1)
    return FINE


@legal("a slow sender")
def slow_sender(play: Play) -> Label:
    play.thinks_ns = play.rng.randrange(20, 700) * MS
    play.whole()
    return FINE


@legal("answers late but in time", plain=True)
def just_in_time(play: Play) -> Label:
    play.answers_ns = PACKET_NS - 6 * b.BYTE_NS - play.rng.randrange(1, 900_000)
    play.header_ns = play.rng.randrange(300, 1990) * MS
    play.whole()
    return FINE


@legal("the unit numbers answers its own way", packets=(3, 8))
def own_numbers(play: Play) -> Label:
    play.numbers = play.rng.choice(("next", "zero"))
    play.whole()
    return FINE


@legal("any number to the header", plain=True)
def header_number(play: Play) -> Label:
    play.header_number = play.rng.randrange(128)
    play.whole()
    return FINE


@legal("to everybody")
def to_all(play: Play) -> Label:
    play.dump.device = b.ALL_CALL
    play.dump.remake()
    play.unit = play.rng.randrange(0, 100)
    play.sources = ()
    play.whole()
    return FINE


@legal("EOF behind the last packet", plain=True)
def eof(play: Play) -> Label:
    play.whole()
    play.host_says("EOF", 0)
    return FINE


@legal("a name and loop points behind it", mono_id=True)
def name_behind(play: Play) -> Label:
    dump = play.dump
    play.whole()
    number = b.low_first(dump.sample, 2)
    play.tape.to(b.name(dump.device, number, play.rng.choice((b"gull", b"thunder 2"))), 40 * MS)
    if len(dump.words) > 90:
        points = b.low_first(10, 3) + b.low_first(80, 3)
        loop = b.message(dump.device, b"\x05\x01", number, b"\x01\x00\x00", points)
        play.tape.to(loop, 30 * MS)
    return FINE


@legal("who is there, first")
def identity(play: Play) -> Label:
    play.tape.to(b.identity_request())
    play.tape.come(b.identity_reply(play.unit), 4 * MS)
    play.silence(200 * MS)
    play.whole()
    return FINE


@legal("notes between messages", plain=True)
def notes(play: Play) -> Label:
    play.open()
    for place in range(play.dump.count):
        if play.rng.random() < 0.4:
            play.tape.to(bytes((0x90, play.rng.randrange(128), 64)), 200_000)
        play.good(place)
    return FINE


@legal("two channels", bits=(16, 12, 24), packets=(2, 6), mono_id=True)
def two_channels(play: Play) -> Label:
    dump, play.sources = play.dump, ()
    frames = len(dump.words) // 2
    right = b.sound("arches", 84, 5, dump.bits)
    dump.words = tuple(
        word for pair in zip(dump.words[:frames], right[:frames], strict=True) for word in pair
    )
    dump.data = b.pack(dump.words, dump.bits)
    dump.remake()
    dump.header = b.extended_header(
        dump.device, dump.sample, dump.bits, 44_100, length=frames, channels=2
    )
    play.whole()
    return FINE


@legal("a width that the unit cuts", bits=(16, 24), mono_id=True)
def cut_width(play: Play) -> Label:
    play.whole()
    play.read_back_words([word >> play.dump.bits - 12 for word in play.dump.words], bits=12)
    return FINE


@legal("numbers that wrap", bits=(16,), packets=(129, 131), plain=True)
def wrapping(play: Play) -> Label:
    if play.rng.random() < 0.8:
        play.dump.words, play.dump.data = play.dump.words[:200], play.dump.data[:600]
        play.dump.loop = (0, 0, b.NO_LOOP)
        play.sources = ()
        play.dump.remake()
    play.whole()
    return FINE


@legal("a period rounded down")
def rounded(play: Play) -> Label:
    play.dump.period = 22_675  # 44,100 Hz lies between 22,675 and 22,676 ns
    play.dump.remake()
    play.sources = ()
    play.whole()
    return FINE


@legal("the same dump twice")
def twice(play: Play) -> Label:
    play.whole()
    play.silence(play.rng.randrange(100, 2500) * MS)
    play.whole()
    return FINE
