"""What the judge of a stream can and cannot say of the clauses that a file is enough for."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

_LOOK: Final = "Only the look of the signal speaks for it; a dump may hold any signal."

ONLY_NOTED: Final[Mapping[str, str]] = MappingProxyType(
    {
        "HDR-11": "An uncommon rate is legal.",
        "HDR-12": "A field that makes sense only when reversed may still be meant as it stands.",
        "EXT-02": "A rate that is common only when reversed may still be meant as it stands.",
        "EXT-03": "A field that makes sense only when reversed may still be meant as it stands.",
        "WRD-04": _LOOK,
        "WRD-06": _LOOK,
        "WRD-07": _LOOK,
        "WRD-08": _LOOK,
        "WRD-09": _LOOK,
        "WRD-10": _LOOK,
        "WRD-11": _LOOK,
    }
)
"""Clauses of which a file shows only signs: findings are noted, whatever the clause's level."""

PARTLY: Final[Mapping[str, str]] = MappingProxyType(
    {
        "HDR-06": "Up to a packet's worth of words may be missing or too many without a sign.",
        "HDR-13": "A period that was cut off shows only beside the rate of the source.",
        "HDR-14": "Channels that were dropped or interleaved show only beside the source.",
        "WRD-01": "Only where the count of packets fits another number of bytes a word exactly.",
        "WRD-02": "Only where every packet but the last ends with filler.",
        "WRD-03": "Only where the count of packets fits a further byte a word exactly.",
        "PKT-10": "Of a run of 128 missing packets only the number is known, not the place.",
        "REQ-01": "The order of the number's bytes shows only beside the number that was meant.",
    }
)
"""Clauses of which a file shows a part; why the rest stays open."""
