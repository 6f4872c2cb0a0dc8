"""A sign: one typed fact about a transfer that a diagnosis weighs.

Theory of operation.  Readers (`signs`) go through what the judge made of a capture and say what is
odd, each by a kind and a few values, without a thought of what may have caused it.  The table
(`causes.toml`) says which causes show like that.  A sign carries the sentences in which a user
reads what was seen, so that a cause needs no words of its own for it.

What the judge has found already is not looked for again: each of its findings is a sign of the kind
`FINDING`, known by its clause.
"""

from collections.abc import Mapping
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.capture import Direction
from dryload.harness.diagnose.scene import DumpScene
from dryload.harness.judge.dialogue.exchanges import Exchange
from dryload.harness.judge.finding import Place
from dryload.harness.judge.timed_messages import TimedMessage

Value = str | int | bool
FINDING: Final = "finding"
CONTEXT: Final = ("sent", "arrived", "heard", "file", "timed", "closed")
"""Values that every sign of a dump has; what they mean, the head of `causes.toml` says."""


class Evidence(Struct, frozen=True, kw_only=True):
    """One thing seen."""

    text: str
    """A whole sentence, plain words first."""
    at: Place | None = None
    shown: str = ""
    """Bytes, in hexadecimal, where they say something."""


class Sign(Struct, frozen=True, kw_only=True, eq=False):
    """One typed fact: what was seen, where, how many, how regular."""

    kind: str
    """A kind of the table's register of signs."""
    values: Mapping[str, Value]
    """What tells one of its kind from another; which ones there are, the register says."""
    evidence: tuple[Evidence, ...]
    at: Place | None
    """Where it shows first."""
    dump: int | None
    """Which dump of the capture, from 0 on; None: the capture as a whole."""

    @property
    def name(self) -> str:
        """By what a cause explains it: the clause of a finding, the kind of anything else."""
        return str(self.values["clause"]) if self.kind == FINDING else self.kind


def sign(
    kind: str,
    dump: DumpScene | None,
    *texts: str,
    heard: TimedMessage | None = None,
    exchange: Exchange | None = None,
    at: Place | None = None,
    shown: str = "",
    **values: Value,
) -> Sign:
    """Return a sign; the first sentence gets the place and the bytes.

    Without a place of its own it is where the message is.
    """
    if at is None and dump is not None:
        at = dump.place(heard, exchange)
    evidence = tuple(
        Evidence(text=text, at=at if not number else None, shown="" if number else shown)
        for number, text in enumerate(texts)
        if text
    )
    return Sign(
        kind=kind,
        values=values if dump is None else {**_context(dump), **values},
        evidence=evidence,
        at=at,
        dump=None if dump is None else dump.index,
    )


def _context(dump: DumpScene) -> Mapping[str, Value]:
    scene = dump.scene
    return {
        "sent": scene.shows_sent,
        "arrived": scene.shows_arrived,
        "heard": bool(scene.shows_damage(Direction.FROM_UNIT)),
        "file": scene.is_file,
        "timed": scene.is_timed,
        "closed": dump.is_closed,
    }


def shown(body: bytes) -> str:
    """Return bytes in hexadecimal, the middle of long messages left out."""
    if len(body) <= 32:
        return body.hex(" ").upper()
    return f"{body[:12].hex(' ').upper()} ... {body[-8:].hex(' ').upper()}"
