"""Two samples compared: whether they're the same, exactly, and what makes the difference.

`same` rests on nothing but equality.  The explanation is a second matter: it is what was most
likely done to A, and done to A it gives exactly B; see `explanation` for how it is found and
`account` for what it can say.
"""

from typing import Final

import numpy as np
from msgspec import Struct

from dryload.emulator.dump.sample import Sample
from dryload.emulator.wire.constants import PACKET_NUMBERS
from dryload.emulator.wire.sizes import words_per_packet
from dryload.harness.judge.account import Account, Content, Kind, WordDifference
from dryload.harness.judge.explanation import common_scale, explain
from dryload.harness.judge.fields import WIDTH, FieldDifference, compare_fields
from dryload.harness.judge.finding import Answerable, Finding, Place, Verdict
from dryload.harness.judge.wording import Context, sentence, sentences

_MOST_FINDINGS: Final = 64
_ONLY_WIDTH: Final = "every word has the same level, so nothing is lost"


class SampleComparison(Struct, frozen=True, kw_only=True):
    """How a sample B is as against a sample A."""

    same: bool
    """Whether the words are equal: as many of them, each at the level of its counterpart."""
    different: int
    """Words that differ, side by side from the beginning, narrow words left-justified."""
    explanation: Account
    """What makes B of A, exactly; empty where the words are the same, or none was asked for."""
    fields: tuple[FieldDifference, ...]
    """Where the headers differ."""
    context: Context

    @property
    def words(self) -> tuple[int, int]:
        """How many words A and B have."""
        return self.context.words

    @property
    def compared(self) -> int:
        """Words that stand in the same place in both."""
        return min(self.words)

    @property
    def same_fields(self) -> bool:
        """Whether the headers say the same as far as it matters."""
        return not any(difference.counts for difference in self.fields)

    @property
    def narrowed(self) -> str:
        """Which of the two, "A" or "B", is the other at fewer bits and nothing else; or ""."""
        if len(self.explanation) != 1 or self.explanation[0].kind is not Kind.NARROWED:
            return ""
        return self.explanation[0].coarse

    @property
    def sentences(self) -> list[str]:
        """The explanation in words, without full stops."""
        return sentences(self.explanation, self.context)

    @property
    def sentence(self) -> str:
        """The whole in one sentence without a full stop."""
        if not self.same:
            first, *more = self.sentences
            rest = f"{len(more)} more difference{'s' if len(more) > 1 else ''}"
            return f"{first}; and {rest}" if more else first
        if self.same_fields:
            return f"{self.words[0]:,} words and all that is said of them are the same"
        names = ", ".join(difference.field for difference in self.fields if difference.counts)
        return f"The words are the same, but the header differs: {names}"


def compare_samples(
    sent: Sample,
    got: Sample,
    *,
    names: tuple[str, str] = ("what was sent", "what came back"),
    packet_bits: int | None = None,
    explains: bool = True,
) -> SampleComparison:
    """Compare the sample `got` with the one `sent`; `names` are what sentences call them.

    Packets are those of words of `packet_bits` significant bits: of `sent`, unless it never was
    in packets.  Without an explanation words that differ are counted only.
    """
    words = len(sent.words), len(got.words)
    bits = max(sent.bits, got.bits)
    own_bits = packet_bits or sent.bits
    one, other = sent.words[: min(words)], got.words[: min(words)]
    if sent.bits != got.bits:
        one, other = common_scale(one, sent.bits, bits), common_scale(other, got.bits, bits)
    different = int(np.count_nonzero(one != other))
    same = not different and words[0] == words[1]
    explanation: Account = ()
    if explains and not same:
        explanation = explain(
            sent.words,
            got.words,
            bits=(sent.bits, got.bits),
            channels=(sent.channels, got.channels),
            packet_bits=own_bits,
        )
    return SampleComparison(
        same=same,
        different=different,
        explanation=explanation,
        fields=tuple(
            each.excused(_ONLY_WIDTH) if same and each.field == WIDTH else each
            for each in compare_fields(sent, got)
        ),
        context=Context(
            rate=sent.rate,
            channels=sent.channels,
            bits=bits,
            step=words_per_packet(own_bits),
            words=words,
            names=names,
        ),
    )


# Clauses that speak of the very thing; of everything else WRD-12 does.
_CLAUSES: Final = {
    Kind.MISSING: "PKT-10",
    Kind.DOUBLED: "HSK-15",
    Kind.SWAPPED: "PKT-03",
    Kind.MOVED: "PKT-03",
    Kind.TOP_BIT_FLIPPED: "WRD-07",
    Kind.BYTES_REVERSED: "WRD-04",
    Kind.RIGHT_JUSTIFIED: "WRD-06",
    Kind.WIDENED: "WRD-09",
    Kind.CHANNELS_SWAPPED: "WRD-11",
    Kind.ONE_CHANNEL: "EXT-06",
}
_DO: Final = {
    Kind.MISSING: "Send it again with answers switched on: a lost packet is then sent again.",
    Kind.DOUBLED: "Look for a packet whose answer was lost: it was sent and stored again.",
    Kind.CHANGED: "Look for lost or altered bytes on the way: cable, interface, filter.",
    Kind.NARROWED: "Nothing to mend if the unit stores no more bits; else send words of its width.",
    Kind.TOP_BIT_FLIPPED: "Have the encoder write offset binary.",
    Kind.BYTES_REVERSED: "Have the encoder write the most significant 7 bits first.",
    Kind.RIGHT_JUSTIFIED: "Have the encoder push words to the left of their bytes.",
    Kind.ENDS_EARLY: "Compare the length in the header with the sound; see whether memory ran out.",
    Kind.TAIL: "Try a length of whole packets: some encoders spoil a short last one.",
}


def findings(
    comparison: SampleComparison, *, answerable: Answerable = Answerable.FILE
) -> tuple[Finding, ...]:
    """Return what a comparison found, words first, one finding a difference; the first few."""
    of_words = [
        _finding(difference, comparison, answerable)
        for difference in comparison.explanation[:_MOST_FINDINGS]
    ]
    return (*of_words, *(_field_finding(each, answerable) for each in comparison.fields))


def _finding(
    difference: WordDifference, comparison: SampleComparison, answerable: Answerable
) -> Finding:
    packet = difference.packet
    if packet is None and difference.word is not None:
        packet = difference.word // comparison.context.step
    run = difference.runs[0] if difference.runs else None
    filler = difference.kind is Kind.GOES_ON and difference.content is Content.FILLER
    return Finding(
        clause="WRD-13" if filler else _CLAUSES.get(difference.kind, "WRD-12"),
        verdict=Verdict.NOTED if difference.kind is Kind.WIDENED else Verdict.BROKEN,
        message=sentence(difference, comparison.context) + ".",
        answerable=answerable,
        at=Place(packet=packet, packet_number=None if packet is None else packet % PACKET_NUMBERS),
        expected=f"word {run.word:,} is {run.values[0]:,}" if run else "",
        found=f"it is {run.values[1]:,}" if run else "",
        do=_DO.get(difference.kind, ""),
    )


def _field_finding(difference: FieldDifference, answerable: Answerable) -> Finding:
    remark = f": {difference.remark}" if difference.remark else ""
    return Finding(
        clause=difference.clause,
        verdict=difference.verdict or (Verdict.BENT if difference.counts else Verdict.NOTED),
        message=f"The {difference.field} is {difference.b} and not {difference.a}{remark}.",
        answerable=answerable,
        expected=difference.a,
        found=difference.b,
    )
