"""Faults on the way: what happens to headers, device IDs, one bit, the ends of messages."""

from __future__ import annotations

from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_family import (
    CLEAN,
    HEADER_ALTERED,
    LINE_ONLY,
    NOTHING,
    REJECTED_OFTEN,
    SILENT_HOST,
    SILENT_NOW_HOST,
    Label,
    fault,
    names,
    told,
)
from tests.diagnosis.injector_play import HEADER_NS, MS, Play
from tests.diagnosis.injector_way import (
    ADDED,
    ALTERED,
    LOST,
    LOST_END,
    UNSEEN,
    bit,
    changed,
    with_more,
    without,
)


@fault("F7 missing from packets", 51, packets=(3, 7), plain=True)
def ends_lost(play: Play) -> Label:
    """Lost where F7 travels alone in an event of USB: in packets and not in headers or ACKs."""
    dies_on_the_way(play, 126)
    cut_too = names("messages cut at a length")
    return told(names("message ends lost") | cut_too, SILENT_NOW_HOST | REJECTED_OFTEN)


def dies_on_the_way(play: Play, length: int) -> None:
    """Have so many bytes of every packet arrive, and the unit say nothing to what has no end."""
    play.open()
    last = play.dump.count if play.goes_on else 1
    for place in range(last):
        for time in range(1 if play.goes_on else 3):
            arrives = ((0, play.dump.packets[place][:length]),)
            play.send(place, arrives, after_ns=500 * MS if time else 21 * MS)
    play.host_says("CANCEL", 0, 500 * MS)
    play.lives()


@fault("a header that arrives damaged", 8, packets=(2, 5))
def header_damaged(play: Play) -> Label:
    raw = play.dump.header
    how, at = play.rng.randrange(3), play.rng.randrange(4, 19)
    arrives = (
        without(raw, at, play.rng.randrange(1, 3)),
        with_more(raw, at, bytes((play.rng.randrange(128),))),
        ((0, raw[: play.rng.randrange(8, 20)]),),
    )[how]
    play.open_loop(arrives)
    causes = (LOST, ADDED, LOST_END)[how] | names("header spoiled on the way", "header wrong")
    return told(causes, SILENT_HOST)


@fault("a period altered on the way", 40, source=True, views=LINE_ONLY)
def period_altered(play: Play) -> Label:
    raw = changed(play.dump.header, 8, 1 << play.rng.randrange(3, 7))
    play.send_header(((0, raw),))
    play.accept_header()
    play.rest(0)
    return told(HEADER_ALTERED | names("header wrong", "period wrong"))


@fault("a stuck data bit", 11, packets=(4, 8), plain=True, goes_on=False)
def stuck_bit(play: Play) -> Label:
    """One bit of all data is set: where that turns an even number over, the checksum is right."""
    by, refused, seen, passed = bit(play), None, 0, False
    play.open()
    for place, raw in enumerate(play.dump.packets):
        stuck = raw[:5] + bytes(byte | by for byte in raw[5:125]) + raw[125:]
        seen += stuck != raw
        play.send(place, ((0, stuck),))
        if b.right_sum(stuck[:125]) == stuck[125]:
            play.accept(place)
            passed = passed or (bool(play.sources) and stuck != raw)
            continue
        refused = place
        for _ in range(2):
            play.say("NAK", place)
            play.send(place, ((0, stuck),))
        play.say("CANCEL", place)
        break
    sure = (
        names("stuck data bit") | (ALTERED if seen < 3 else CLEAN) | (UNSEEN if passed else CLEAN)
    )
    if refused is None:
        return told(sure | NOTHING | UNSEEN, CLEAN)
    return told(sure, REJECTED_OFTEN | names("stopped at the unit", "memory full"))


@fault("device ID rewritten, all of it", 11, plain=True, packets=(2, 5))
def id_rewritten(play: Play) -> Label:
    """A router gives 7F, which calls everybody, the ID of one unit; no header carries a sum."""
    other = play.rng.randrange(1, 100)
    play.dump.device, play.unit = b.ALL_CALL, other
    play.dump.remake()
    play.sources = (play.dump.source(),) if play.sources else ()
    play.send_header(((0, renamed(play.dump.header, other)),))
    play.accept_header()
    raw = renamed(play.dump.packets[0], other)
    for _ in range(3):
        play.send(0, ((0, raw),))
        play.say("NAK", 0)
    play.host_says("CANCEL", 0)
    sure = names("device ID rewritten on the way")
    file = names("checksums wrong in the dump", "checksum of the wrong range")
    return told(sure if play.sources else sure | file, REJECTED_OFTEN, 0)


@fault("device ID rewritten in packets", 11, mono_id=True, packets=(2, 5), goes_on=True)
def id_rewritten_packets(play: Play) -> Label:
    """The header keeps its ID and is answered; packets for another unit are passed over."""
    other = (play.dump.device + play.rng.randrange(1, 100)) % 127
    play.open()
    for place, raw in enumerate(play.dump.packets):
        after_ns = play.limit_ns() if place else None
        play.send(place, ((0, renamed(raw, other)),), after_ns=after_ns)
    play.silence(HEADER_NS)
    play.lives()
    sure = names("device ID rewritten on the way")
    file = names("packet for another device in the dump", "checksums wrong in the dump")
    return told(sure if play.sources else sure | file, SILENT_NOW_HOST | REJECTED_OFTEN)


def renamed(raw: bytes, device: int) -> bytes:
    """Return a message for another device, its checksum as it was."""
    return raw[:2] + bytes((device,)) + raw[3:]
