"""The same transfers over every real way to a unit, with the commands that people use."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests import oracle
from tests.cli.runs import ROOT
from tests.lanes.lane import SHOWN, Lane
from tests.lanes.processes import replay, serving

pytestmark = pytest.mark.port

GOOD = ROOT / "captures_demo" / "good"
SHORT = "bell-stroke.syx"  # 56 packets, over a line of 31,250 baud
NAME_LOST = "the words are the same; the name is none"
"""No unit acknowledges a name, so a line that loses messages may lose it, and nothing tells before
it is read back (seen once in some ten runs on a busy computer)."""
LONG = "ships-bell-8-bit.syx"  # 368 packets, so numbers wrap twice; as fast as the lane is


def dump_in(file: Path) -> oracle.ReadDump:
    """Return what header and packets of a file say; a name may stand behind them ."""
    messages = [message for _, message in oracle.split(file.read_bytes())]
    return oracle.read_dump(b"".join(each for each in messages if each[3] in (0x01, 0x02)))


@pytest.mark.parametrize(("name", "options"), [(SHORT, ()), (LONG, ("--no-pace",))])
def test_a_dump_is_loaded_and_read_back_the_same(
    lane: Lane,
    name: str,
    options: tuple[str, ...],
    tmp_path: Path,
    record_property: Callable[[str, object], None],
) -> None:
    sent = dump_in(GOOD / name)
    with serving(lane, tmp_path, *options) as unit:
        code, document = replay(lane, tmp_path, str(GOOD / name), *options)
        said = unit.quit()
    (transfer,) = document["transfers"]
    outcome = {key: transfer[key] for key in ("outcome", "verified", "reason", "packets")}
    record_property(SHOWN, f"{lane.target}, {name}: {told(transfer)}")
    # However often it had to be sent again: a way that loses messages and a computer that is late
    # look alike, and both have to end well.
    if lane.is_busy and str(transfer["reason"]).startswith(NAME_LOST):
        assert (transfer["outcome"], code) == ("loaded with changes", 1)
    else:
        assert (transfer["outcome"], transfer["verified"]) == ("loaded", True), outcome
        assert code == 0
    packets = transfer["packets"]
    assert packets["sent"] == packets["planned"] == oracle.packet_count(sent.length, sent.bits)
    (held,) = said[-1]["samples"]
    assert (held["words"], held["bits"]) == (len(sent.words), sent.bits)


def told(transfer: dict[str, Any]) -> str:
    """Return what a transfer came to, on one line."""
    packets, times = transfer["packets"], transfer["time"]
    there, back = (times[key] / 1e9 for key in ("total_ns", "read_back_ns"))
    return (
        f"{transfer['outcome']}, verified {transfer['verified']}, {packets['sent']} packets and "
        f"{packets['resent']} again, {there:.1f} s there and {back:.1f} s back"
    )
