"""Nothing wrong: healthy conversations and odd ones that the standard allows.

Real-time bytes may stand anywhere (M1 p. 30), messages may pause (M1 p. 29), a unit may say WAIT
and take its time (M1 p. 39), the ACK to a header may bear any number (M1 p. 44).
"""

from __future__ import annotations

from dryload.emulator.dump.capture import Direction
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_kinds import LINE, View, legal
from tests.diagnosis.injector_play import MS, PACKET_NS, Play


@legal("healthy", packets=(1, 8))
def healthy(play: Play) -> None:
    play.whole()
    if play.chance.random() < 0.3:
        play.lives()


@legal("healthy, one word", packets=(1, 1), plain=True)
def one_word(play: Play) -> None:
    dump = play.dump
    dump.words, dump.data = dump.words[:1], dump.data[: b.bytes_a_word(dump.bits)]
    dump.loop = (0, 0, b.NO_LOOP)
    dump.remake()
    play.sources = ()
    play.whole()


@legal("two dumps in a row")
def two_dumps(play: Play) -> None:
    play.whole()
    play.silence(play.chance.randrange(50, 3000) * MS)
    play.dump.sample += 1
    play.dump.remake()
    play.sources = ()
    play.whole()


@legal("read back and the same", mono_id=True)
def read_back(play: Play) -> None:
    play.whole()
    play.read_back_words(play.dump.words)


@legal("asked for by a request", mono_id=True)
def asked_for(play: Play) -> None:
    play.sources = ()
    dump = play.dump
    play.read_back(dump.header, dump.packets)


@legal("WAIT before every ACK", plain=True)
def waits(play: Play) -> None:
    play.waits = True
    play.whole()


@legal("a long WAIT at one packet", plain=True)
def long_wait(play: Play) -> None:
    place = play.chance.randrange(play.dump.count)
    play.until(place)
    play.send(place)
    play.say("WAIT", place)
    play.silence(play.chance.randrange(1, 40) * 1000 * MS)
    play.say("ACK", place)
    play.rest(place + 1)


@legal("clock inside")
def clock(play: Play) -> None:
    play.tape.tick_ns = 60_000 * MS // 24 // play.chance.randrange(40, 250)  # 24 a quarter note
    play.whole()


@legal("active sensing kept up")
def sensing(play: Play) -> None:
    play.tape.tick_ns, play.tape.tick = 250 * MS, 0xFE  # M1 p. 32: at most 300 ms
    play.whole()
    play.tape.ticks_until(play.tape.now_ns + 700 * MS)


@legal("a clock from the unit")
def clock_back(play: Play) -> None:
    play.whole()
    step_ns = 60_000 * MS // 24 // play.chance.randrange(60, 200)
    for at in range(step_ns, play.tape.now_ns, step_ns):
        if not any(
            p.end_ns - len(p.data) * b.BYTE_NS < at + b.BYTE_NS and at < p.end_ns
            for p in play.tape.back
        ):
            play.tape.beside(Direction.FROM_UNIT, b"\xf8", at + b.BYTE_NS)


@legal("pauses inside packets", views=LINE, goes_on=False)
def pauses(play: Play) -> None:
    place = play.chance.randrange(play.dump.count)
    play.until(place)
    raw = play.dump.packets[place]
    cut = play.chance.randrange(1, 127)
    gap = play.chance.randrange(1, 900)
    play.send(place, arrives=((0, raw[:cut]), (cut + gap, raw[cut:])))
    play.accept(place)
    play.rest(place + 1)


@legal("a slow sender")
def slow_sender(play: Play) -> None:
    play.thinks_ns = play.chance.randrange(20, 700) * MS
    play.whole()


@legal("answers late but in time", plain=True)
def just_in_time(play: Play) -> None:
    play.answers_ns = PACKET_NS - 6 * b.BYTE_NS - play.chance.randrange(1, 900_000)
    play.header_ns = play.chance.randrange(300, 1990) * MS
    play.whole()


@legal("the unit numbers answers its own way")
def own_numbers(play: Play) -> None:
    play.numbers = play.chance.choice(("next", "zero"))
    play.whole()


@legal("any number to the header", plain=True)
def header_number(play: Play) -> None:
    play.header_number = play.chance.randrange(128)
    play.whole()


@legal("to everybody")
def to_all(play: Play) -> None:
    play.dump.device = b.ALL_CALL
    play.dump.remake()
    play.unit = play.chance.randrange(0, 100)
    play.sources = ()
    play.whole()


@legal("EOF behind the last packet", plain=True)
def eof(play: Play) -> None:
    play.whole()
    play.host_says("EOF", 0)


@legal("a name and loop points behind it", mono_id=True)
def name_behind(play: Play) -> None:
    dump = play.dump
    play.whole()
    number = b.low_first(dump.sample, 2)
    play.tape.to(b.name(dump.device, number, play.chance.choice((b"gull", b"thunder 2"))), 40 * MS)
    if len(dump.words) > 90:
        points = b.low_first(10, 3) + b.low_first(80, 3)
        loop = b.message(dump.device, b"\x05\x01", number, b"\x01\x00\x00", points)
        play.tape.to(loop, 30 * MS)


@legal("who is there, first")
def identity(play: Play) -> None:
    play.tape.to(b.identity_request())
    play.tape.come(b.identity_reply(play.unit), 4 * MS)
    play.silence(200 * MS)
    play.whole()


@legal("notes between messages", plain=True)
def notes(play: Play) -> None:
    play.open()
    for place in range(play.dump.count):
        if play.chance.random() < 0.4:
            play.tape.to(bytes((0x90, play.chance.randrange(128), 64)), 200_000)
        play.good(place)


@legal("two channels", bits=(16, 12, 24), mono_id=True)
def two_channels(play: Play) -> None:
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


@legal("a width that the unit cuts", bits=(16, 24), mono_id=True)
def cut_width(play: Play) -> None:
    play.whole()
    play.read_back_words([word >> play.dump.bits - 12 for word in play.dump.words], bits=12)


@legal("numbers that wrap", bits=(16,), packets=(129, 131), plain=True)
def wrapping(play: Play) -> None:
    if play.chance.random() < 0.8:
        play.dump.words, play.dump.data = play.dump.words[:200], play.dump.data[:600]
        play.dump.loop = (0, 0, b.NO_LOOP)
        play.sources = ()
        play.dump.remake()
    play.whole()


@legal("a period rounded down")
def rounded(play: Play) -> None:
    play.dump.period = 22_675  # 44,100 Hz lies between 22,675 and 22,676 ns
    play.dump.remake()
    play.sources = ()
    play.whole()


@legal("the same dump twice")
def twice(play: Play) -> None:
    play.whole()
    play.silence(play.chance.randrange(100, 2500) * MS)
    play.whole()


@legal("pieces with short gaps", views=LINE)
def pieces(play: Play) -> None:
    """A driver hands a message over in pieces; gaps inside are legal (M1 p. 29)."""
    size = play.chance.choice((16, 32, 64))
    play.open()
    for place, raw in enumerate(play.dump.packets):
        cuts = range(0, len(raw), size)
        play.send(place, [(at + 3 * turn, raw[at : at + size]) for turn, at in enumerate(cuts)])
        play.accept(place)


@legal("a reset that nobody obeys")
def reset_passed(play: Play) -> None:
    """FF may stand anywhere (M1 p. 30), and this unit is not moved by it."""
    place = play.a_place()
    raw, at = play.dump.packets[place], play.chance.randrange(1, 126)
    play.until(place)
    play.send(place, raw=raw[:at] + b"\xff" + raw[at:])
    play.accept(place)
    play.rest(place + 1)


@legal("notes from the unit during WAIT", plain=True)
def notes_in_wait(play: Play) -> None:
    place = play.a_place()
    play.until(place)
    play.send(place)
    play.say("WAIT", place)
    play.tape.come(bytes((0x90, play.chance.randrange(128), 64)), 90 * MS)
    play.say("ACK", place, 300 * MS)
    play.rest(place + 1)


@legal("jitter of a few ms", plain=True)
def jitter(play: Play) -> None:
    play.open()
    for place in range(play.dump.count):
        play.thinks_ns = play.chance.randrange(100_000, 9 * MS)
        play.answers_ns = play.chance.randrange(300_000, 9 * MS)
        play.good(place)


@legal("an extended header", mono_id=True)
def extended(play: Play) -> None:
    """One channel in the header that was made for more (CA-019 pp. 1-3)."""
    dump, play.sources = play.dump, ()
    dump.header = b.extended_header(
        dump.device, dump.sample, dump.bits, 44_100, length=len(dump.words), channels=1
    )
    play.whole()


@legal("what left, as a file", views=(View.FILE, View.TO, View.UNTIMED))
def one_way(play: Play) -> None:
    play.whole()


@legal("another number than that of the source", source=True)
def elsewhere(play: Play) -> None:
    """To which number a dump goes is up to who sends it."""
    play.dump.sample ^= 0x2C
    play.dump.remake()
    play.whole()
