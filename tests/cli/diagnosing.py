"""Transfers to diagnose, made byte by byte, and the command run for people and for programs."""

from __future__ import annotations

import json
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

from msgspec.structs import replace

from dryload.harness.files import capture_file
from dryload.harness.files.recorded import Recorded, TakenAt
from tests import oracle
from tests.cli.runs import Ran, run
from tests.judge.talking import Tape, header, packets, say

OK, NAMED, USAGE = 0, 1, 2
CLOSED_PIPE = 128 + signal.SIGPIPE
INTERRUPTED = 128 + signal.SIGINT
PERIOD_NS = 22_676
PACKETS = 8
PICTURE = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(range(256)) * 20
"""The eight bytes that a PNG picture begins with (PNG 1.2, section 3.1), and what may follow."""


def is_told(each: str, text: str) -> bool:
    """Whether a sentence stands in a text, whatever lines it is broken into."""
    return " ".join(each.replace("`", "").split()) in " ".join(text.split())


def sample(count: int = PACKETS, number: int = 1, step: int = 1021) -> bytes:
    """A dump file with the header and the packets of `talking.dump`, unless `step` is another."""
    sound = [(step * at) % 65_536 - 32_768 for at in range(40 * count)]
    return oracle.dump(bits=16, words=sound, sample_number=number, period_ns=PERIOD_NS)


def unanswered(count: int = PACKETS) -> Tape:
    """A dump that nobody answers: two seconds for the header, 20 ms for each packet (M1 p. 35)."""
    tape = Tape().to(header(count))
    for place, packet in enumerate(packets(count)):
        tape.to(packet, after_ms=2_000 if place == 0 else 20)
    return tape


def read_back(tape: Tape, changed: Callable[[bytes], bytes] = bytes) -> Tape:
    """Ask for the sample and have it sent, every message acknowledged."""
    tape.to(oracle.dump_request(sample_number=1), after_ms=100)
    tape.back(header(PACKETS)).to(say("ACK"), after_ms=1)
    for place, packet in enumerate(packets(PACKETS)):
        tape.back(changed(packet)).to(say("ACK", place), after_ms=1)
    return tape


def at_host(tape: Tape) -> Recorded:
    return replace(tape.recorded(), taken_at=TakenAt.HOST)


def keep(folder: Path, recorded: Recorded, name: str = "evening.jsonl") -> str:
    capture_file.save(str(folder / name), recorded)
    return name


def both(folder: Path, *arguments: str) -> tuple[Ran, dict[str, Any]]:
    """Run it for people and for programs; both end alike, and nothing of the text is lost."""
    text = run("diagnose", *arguments, folder=folder)
    said = run("diagnose", "--json", *arguments, folder=folder)
    assert text.code == said.code
    assert text.err == said.err
    document = json.loads(said.out)
    assert document["schema"] == "dryload/diagnose/1"
    holds_the_same(text.out, document)
    return text, document


def holds_the_same(text: str, document: dict[str, Any]) -> None:
    """Every sentence that the text has room for comes from the document."""
    if document["causes"]:
        first = document["causes"][0]
        told = [first["sentence"], first["tells"], *first["do"], first["experiment"]]
        told += [each["text"] for each in first["evidence"][:4]]
        assert document["said"] == first["sentence"].replace("`", "")
        if document["confidence"] is not None:
            assert is_told(f"How sure: {document['confidence']}", text)
    else:
        told = [document["said"]]
    told += [each["sentence"] for each in document["remarks"]]
    told += [each["why"] for each in document["no_return"]]
    for each in (*told, *document["unknown"]):
        assert is_told(each, text), each
    sentences = {each.strip() for each in text.splitlines() if len(each) > 40}
    for each in sentences:
        assert text.count(each) == 1, f"said twice: {each}"


def steady(text: str) -> str:
    """What is said of what cannot be known."""
    return text.partition("What this capture cannot show:")[2]
